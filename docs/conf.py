"""Sphinx settings."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "src"))

project = "Sumpwright"
author = "The Sumpwright authors"
copyright = "2026, The Sumpwright authors"
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.mathjax", "numpydoc"]
myst_enable_extensions = ["dollarmath"]
numpydoc_show_class_members = False
autodoc_typehints = "none"
exclude_patterns = ["_build"]
html_theme = "alabaster"
html_show_sourcelink = False
