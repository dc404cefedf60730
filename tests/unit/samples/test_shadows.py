"""Vials that cast shadows beside themselves: every one is seen, and no shadow is."""

from __future__ import annotations

import numpy as np
import pytest

from photographs import painter
from photographs.painter import row
from sumpwright.samples.judging import of_the_faint
from sumpwright.samples.necks import complete
from sumpwright.samples.reading import read_row
from sumpwright.samples.span import Span

CLEAR = (0.005, 0.01, 0.03)


@pytest.mark.parametrize(
    ("count", "depth", "kind", "glare"),
    [(7, 0.1, "hard", 0.0), (8, 0.2, "hard", 0.4), (7, 0.3, "soft", 0.4)],
)
def test_clear_vials_beside_shadows(
    monkeypatch: pytest.MonkeyPatch, count: int, depth: float, kind: str, glare: float
) -> None:
    monkeypatch.setitem(painter.NEW, "clear", CLEAR)
    shares = np.array([1.0, *0.55 ** np.arange(1, count - 1), 0.0])
    rng = np.random.default_rng([count, round(100 * depth)])
    pitch = 840 / count
    data = row(
        list(shares),
        rng,
        new="clear",
        pitch=pitch,
        wide=0.56 * pitch,
        depth=depth,
        kind=kind,
        glare=glare,
    )
    found = [v.old_share for v in read_row(data, "left").vials]
    assert found == pytest.approx(list(shares), abs=0.05)


WIDE, TALL = 20, 60
BAND, ABOVE = (60, 120), (36, 56)
PITCH = 40
KNOWN = np.ones(400, dtype=bool)


def scene(centres: list[int], shadows: tuple[int, ...] = ()) -> np.ndarray:
    """Rims and a highlight down the necks and the fluids; shadows have hard edges only."""
    rng = np.random.default_rng(1)
    absorbance = rng.normal(0, 0.004, (160, 400, 3))
    for x in shadows:
        absorbance[30:120, x - 10 : x + 10] += 0.1
    for x in centres:
        for side in (x - 10, x + 9):
            absorbance[30:120, side : side + 2] += 0.12
        absorbance[30:120, x - 5 : x - 3] -= 0.08
    return absorbance.astype(np.float32)


def found(
    centres: list[int], plain: list[int], shadows: tuple[int, ...] = ()
) -> tuple[list[int], tuple[str, ...]]:
    spans = [Span(x - 10.0, x + 10.0, 0.5) for x in plain]
    seen = complete(spans, spans, scene(centres, shadows), KNOWN, ABOVE, BAND, 0.004)
    assert seen is not None
    return [round(s.centre) for s in seen[0]], seen[1]


def test_what_looks_alike_above_is_a_vial_wherever_it_stands() -> None:
    places, doubted = found([60, 100, 140, 180, 220], [60, 100, 140])
    assert places == pytest.approx([60, 100, 140, 180, 220], abs=1)
    assert doubted == ()


def test_a_shadow_with_sharp_edges_is_none() -> None:
    places, _ = found([60, 100, 140], [60, 100, 140], shadows=(180,))
    assert places == [60, 100, 140]


def test_colour_beyond_the_row_is_doubted() -> None:
    spans = [Span(x - 10.0, x + 10.0, 0.5) for x in (60, 100, 140)]
    picture = scene([60, 100, 140])
    picture[60:120, 170:190, 2] += 0.08
    seen = complete(spans, spans, picture, KNOWN, ABOVE, BAND, 0.004)
    assert seen is not None
    assert seen[1] == ("right",)


def test_necks_that_have_nothing_in_common_say_nothing() -> None:
    spans = [Span(x - 10.0, x + 10.0, 0.5) for x in (60, 100, 140)]
    assert complete(spans, spans, scene([]), KNOWN, ABOVE, BAND, 0.004) is None


def test_what_is_left_out_within_the_row_is_told() -> None:
    assert of_the_faint((), (1,))[0].startswith("Something faint stands between vials 2 and 3")
