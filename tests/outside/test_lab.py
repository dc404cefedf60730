"""Laboratory figures against the published standards and general reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.robust.scale import mad

from sumpwright.physics.viscosity import iso_grade
from sumpwright.planning.cleanliness import BEYOND, code_of, read_code, scale_number
from sumpwright.planning.laboratory import robust_z
from sumpwright.planning.reports import Report, computed_index

# Source: ISO 4406:1999, table 1 (allocation of scale numbers): scale number, particles per
# millilitre more than, up to and including. As reproduced in a filtration handbook's appendix
# on contamination classes, https://online.flipbuilder.com/zufy/jyhc/files/basic-html/page130.html;
# rows 6 to 24 also in https://constructionequipment.com/sustainability/article/10750527/
# fuel-filtration-iso-4406-basics, which agrees.
ISO_4406 = """
 0 0.00 0.01 |  1 0.01 0.02 |  2 0.02 0.04 |  3 0.04 0.08 |  4 0.08 0.16 |  5 0.16 0.32
 6 0.32 0.64 |  7 0.64 1.3  |  8 1.30 2.5  |  9 2.50 5    | 10 5 10      | 11 10 20
12 20 40     | 13 40 80     | 14 80 160    | 15 160 320   | 16 320 640   | 17 640 1300
18 1300 2500 | 19 2500 5000 | 20 5000 10000 | 21 10000 20000 | 22 20000 40000
23 40000 80000 | 24 80000 160000 | 25 160000 320000 | 26 320000 640000
27 640000 1300000 | 28 1300000 2500000
"""
TABLE = [
    (int(row.split()[0]), float(row.split()[1]), float(row.split()[2]))
    for row in ISO_4406.replace("\n", "|").split("|")
    if row.strip()
]


def test_the_table_is_whole() -> None:
    assert [number for number, _, _ in TABLE] == list(range(29))


@pytest.mark.parametrize(("number", "more_than", "up_to"), TABLE)
def test_iso_4406_scale_numbers(number: int, more_than: float, up_to: float) -> None:
    assert scale_number(up_to) == number
    assert scale_number(np.nextafter(more_than, np.inf)) == number
    assert scale_number(0.5 * (more_than + up_to)) == number
    assert scale_number(np.nextafter(up_to, np.inf)) == (number + 1 if number < 28 else BEYOND)


def test_iso_4406_example_with_few_particles() -> None:
    # Source: the same appendix: "A code of 14/12/≥7 signifies that there are more than 80 and up to
    # and including 160 particles equal to or larger than 4 µm(c) per ml and more than 20 and up to
    # and including 40 … 6 µm(c) … more than 0.64 and up to and including 1.3 … 14 µm(c)"; ≥ where
    # fewer than 20 particles were counted.
    for counts in ((80.1, 20.1, 0.65), (160.0, 40.0, 1.3)):
        assert str(code_of(counts, counted=[2000, 400, 19])) == "14/12/≥7"
        assert str(code_of(counts, counted=[2000, 400, 20])) == "14/12/7"


def test_iso_4406_example_of_the_three_numbers() -> None:
    # Source: ISO 4406:2021 as announced at https://theiteh.com/catalog/standards/sist/31926ec4-bd95-
    # 46d5-b4a7-81e9a19d8b6e/sist-iso-4406-2022: three-part code 22/18/13, microscope -/18/13.
    assert str(read_code("22/18/13")) == "22/18/13"
    microscope = read_code("-/18/13")
    assert microscope.scales[0].number is None
    assert str(microscope) == str(read_code("18/13")) == "-/18/13"
    # Source: constructionequipment.com, as above: "A 17 code … indicates that the 1-milliliter
    # sample likely contains between 640 and 1,300 particles 4 microns and larger" in 17/15/10.
    assert str(code_of((1000.0, 300.0, 9.0))) == "17/15/10"


# Source: ISO 3448, viscosity grade, and kinematic viscosity at 40 °C: minimum, maximum in mm²/s,
# as tabulated at https://scribd.com/doc/289424684 (18 grades, 2 to 1500).
ISO_3448 = {
    2: (1.98, 2.42), 3: (2.88, 3.52), 5: (4.14, 5.06), 7: (6.12, 7.48), 10: (9.0, 11.0),
    15: (13.5, 16.5), 22: (19.8, 24.2), 32: (28.8, 35.2), 46: (41.4, 50.6), 68: (61.2, 74.8),
    100: (90.0, 110.0), 150: (135.0, 165.0), 220: (198.0, 242.0), 320: (288.0, 352.0),
    460: (414.0, 506.0), 680: (612.0, 748.0), 1000: (900.0, 1100.0), 1500: (1350.0, 1650.0),
}  # fmt: skip


@pytest.mark.parametrize(("grade", "limits"), ISO_3448.items())
def test_iso_3448_grades_as_a_report_needs_them(grade: int, limits: tuple[float, float]) -> None:
    low, high = limits
    assert iso_grade(low * 1e-6) == grade
    assert iso_grade(high * 1e-6) == grade
    assert iso_grade(low * 0.999e-6) is None
    assert iso_grade(high * 1.001e-6) is None


def test_index_of_a_report_by_the_standards_examples() -> None:
    # Source: ASTM D2270, worked examples: (73.30, 8.86) mm²/s → 92; (22.83, 5.05) → 156.
    for cold, hot, index in ((73.30, 8.86, 92), (22.83, 5.05, 156)):
        report = Report(0.0, viscosity_40=cold * 1e-6, viscosity_100=hot * 1e-6)
        assert round(computed_index(report) or 0) == index


def test_robust_z_against_a_reference_library() -> None:
    # Source: statsmodels.robust.scale.mad, the median absolute deviation scaled for a normal law.
    rng = np.random.default_rng(4)
    for _ in range(50):
        history = rng.gamma(3.0, 10.0, rng.integers(4, 30))
        value = float(rng.gamma(3.0, 10.0))
        spread = float(mad(history))
        if spread < 0.05 * np.median(history):
            continue
        expected = (value - np.median(history)) / spread
        assert robust_z(history, value) == pytest.approx(expected, rel=1e-4)


def test_robust_z_is_a_standard_normal_for_a_normal_history() -> None:
    rng = np.random.default_rng(9)
    history = rng.normal(100.0, 20.0, 4000)
    assert robust_z(history, 160.0) == pytest.approx(3.0, abs=0.15)
