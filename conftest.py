"""What every test of the tree shares, the examples in the docstrings included."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import settings

# A landing must not hang on the luck of one draw or on a busy machine; whoever works on the
# tree goes on drawing anew.
settings.register_profile("landing", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("landing")


@pytest.fixture(autouse=True)
def _numpy_prints_as_it_does_by_itself() -> None:
    """Undo what a reference library changes for the whole process when it is imported."""
    np.set_printoptions(legacy=False, precision=8, suppress=False, threshold=1000, linewidth=75)
