"""Colour of samples against colour-science, and old shares against spectra of a dye."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import pytest

from photographs.generator import fair_scene, render, s_curve
from photographs.spectra import CAMERAS, LIGHTS, camera, fluids, linear_rgb
from sumpwright.physics.colour import lab, srgb_decode, srgb_encode
from sumpwright.physics.mixing import Calibration, old_shares
from sumpwright.samples.reading import read_row

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # optional plotting packages that it does without
    import colour

# Independent library: colour-science (PyPI), its own sRGB functions, illuminants, observer and
# camera sensitivities.

FAIR = ("daylight", "led")


def test_srgb_decoding() -> None:
    codes = np.arange(256, dtype=np.uint8)
    theirs = colour.models.eotf_sRGB(codes / 255.0)
    np.testing.assert_allclose(srgb_decode(codes), theirs, rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(srgb_encode(theirs), codes / 255.0, atol=2e-6)


def test_lab_of_linear_light() -> None:
    light = np.random.default_rng(3).uniform(0.001, 1.0, (200, 3))
    space = colour.RGB_COLOURSPACES["sRGB"]
    matrix = np.asarray(space.matrix_RGB_to_XYZ)
    white = colour.XYZ_to_xy(matrix.sum(axis=1))
    theirs = colour.XYZ_to_Lab(light @ matrix.T, white)
    np.testing.assert_allclose(lab(light), theirs, atol=0.05)


def test_dilution_steps_of_a_dye_without_a_camera() -> None:
    # Spectra mixed by Beer and Lambert, then integrated over light and sensor: broad channels and
    # colour matrices bend the straight line of mixing, and the interval must allow for it.
    rng = np.random.default_rng(11)
    shares = np.array([1.0, 0.75, 0.5, 0.35, 0.2, 0.1, 0.05, 0.0])
    errors, held = [], []
    for _ in range(400):
        kind = str(rng.choice(["red", "amber", "green", "blue", "clear"]))
        mix = fluids(rng, kind, float(rng.uniform(0.3, 1.2)))
        weights = camera(str(rng.choice(CAMERAS)), str(rng.choice(LIGHTS[str(rng.choice(FAIR))])))
        light = linear_rgb(mix.mixed(shares), weights)
        dark = light[0] < 0.008
        if dark.all():
            continue
        got = old_shares(np.maximum(light, 1e-4), 0, len(shares) - 1, channels=~dark)
        errors.append(got.share - shares)
        held.append((got.low <= shares) & (shares <= got.high))
    low = np.array(errors)[:, 3:-1]
    assert np.sqrt(np.mean(low**2)) <= 0.03
    assert abs(np.mean(low)) < 0.012
    assert np.mean(np.array(held)[:, 1:-1]) > 0.85


def test_a_dilution_row_takes_the_cameras_bend_out() -> None:
    rng = np.random.default_rng(5)
    steps = np.array([1.0, 0.75, 0.5, 0.25, 0.0])
    samples = np.array([1.0, 0.6, 0.35, 0.15, 0.08, 0.0])
    plain, calibrated = [], []
    for _ in range(40):
        mix = fluids(rng, str(rng.choice(["red", "green", "amber"])), 0.8)
        weights = camera(str(rng.choice(CAMERAS)), "D65")
        row = np.maximum(linear_rgb(mix.mixed(samples), weights), 1e-4)
        known = np.maximum(linear_rgb(mix.mixed(steps), weights), 1e-4)
        usable = (known[0] > 0.008) & (row[0] > 0.008)
        if not usable.any():
            continue
        plain.append(old_shares(row, 0, 5, channels=usable).share - samples)
        read = Calibration(steps, known).read(row, 0, 5, channels=usable)
        calibrated.append(read.share - samples)
    before, after = (float(np.sqrt(np.mean(np.square(e)))) for e in (plain, calibrated))
    assert after < 0.5 * before
    assert after < 0.005


LAMPS = ("daylight", "led", "fluorescent", "tungsten")
KINDS = ("red", "amber", "green", "blue")


def seen_through(
    rng: np.random.Generator, lamp: str, exposure: float, darkness: float, contrast: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shares and transmittances of a row without a picture, and the channels that are not black.

    Bores, light left uneven, stray light, white balance, a camera's curve and its eight bits.
    """
    between = int(rng.integers(2, 6))
    shares = np.concatenate([[1.0], np.sort(rng.uniform(0.01, 0.75, between))[::-1], [0.0]])
    weights = camera(str(rng.choice(CAMERAS)), str(rng.choice(LIGHTS[lamp])))
    bores = 1 + 0.01 * rng.normal(size=(len(shares), 1))
    mixed = fluids(rng, str(rng.choice(KINDS)), darkness).mixed(shares)
    stray, balance = rng.uniform(0, 0.008), np.exp(0.03 * rng.normal(size=3))
    light = np.maximum(0.93 * linear_rgb(0.95 * bores * mixed, weights), 0) + stray
    common, own = rng.normal(size=(len(shares), 1)), rng.normal(size=light.shape)
    light = light * balance * exposure * 10 ** (0.003 * common + 0.0015 * own)
    card = balance * exposure * (1 + stray)
    codes = np.rint(255 * 16 * s_curve(encode(light), contrast)) / (255 * 16)
    level = decode(codes)
    through = level / decode(s_curve(encode(card), contrast))
    return shares, through, (level[0] >= 0.0035) & (through[0] >= 0.008)


def encode(light: np.ndarray) -> np.ndarray:
    return np.asarray(colour.models.eotf_inverse_sRGB(np.clip(light, 0, 1)))


def decode(codes: np.ndarray) -> np.ndarray:
    return np.asarray(colour.models.eotf_sRGB(codes))


def test_the_intervals_are_honest_over_light_exposure_darkness_and_contrast() -> None:
    rng = np.random.default_rng(31)
    rows = []
    for lamp, exposure, darkness, contrast in itertools.product(
        LAMPS, (0.3, 0.75, 0.95), (0.3, 0.8, 1.6), (0.0, 0.1, 0.2, 0.3)
    ):
        for _ in range(8):
            shares, through, usable = seen_through(rng, lamp, exposure, darkness, contrast)
            if not usable.any():
                continue
            got = old_shares(through, 0, len(shares) - 1, sampling=0.002, channels=usable)
            held = (got.low <= shares) & (shares <= got.high)
            for k in range(1, len(shares) - 1):
                error = got.share[k] - shares[k]
                rows.append((lamp, exposure, darkness, contrast, held[k], error, shares[k]))
    assert len(rows) > 3000
    assert 0.85 <= np.mean([row[4] for row in rows]) <= 0.95
    # By light and by darkness. Not by contrast, which no reader can know: it does what it likes
    # to a card that is nearly burnt out.
    for place in (0, 2):
        for value in {row[place] for row in rows}:
            some = [row[4] for row in rows if row[place] == value]
            assert 0.83 <= np.mean(some) <= 0.96, value
    low = [row[5] for row in rows if row[6] < 0.5 and row[3] <= 0.2]
    assert np.sqrt(np.mean(np.square(low))) <= 0.03


@pytest.fixture(scope="module")
def fair_rows() -> tuple[np.ndarray, np.ndarray]:
    """Errors and truths with their hold, of samples in rendered photographs in fair light."""
    rng = np.random.default_rng(2)
    errors, held = [], []
    for seed in range(1000, 1045):
        scene = fair_scene(
            seed,
            kind=str(rng.choice(["red", "amber", "green", "blue"])),
            lamp=str(rng.choice(FAIR)),
            darkness=float(rng.choice([0.3, 0.8, 1.4])),
            exposure=float(rng.choice([0.4, 0.75, 0.95])),
        )
        picture = render(scene)
        got = read_row(picture.jpeg(), "left" if scene.shares[0] == 1 else "right")
        assert len(got.vials) == len(scene.shares), seed
        for vial, share in zip(got.vials[1:-1], scene.shares[1:-1], strict=True):
            errors.append((share, vial.old_share - share))
            held.append(vial.low <= share <= vial.high)
    return np.array(errors), np.array(held)


def test_photographs_in_fair_light(fair_rows: tuple[np.ndarray, np.ndarray]) -> None:
    errors, _ = fair_rows
    low = errors[errors[:, 0] < 0.5, 1]
    assert len(low) > 80
    assert np.sqrt(np.mean(low**2)) <= 0.03
    assert abs(np.mean(low)) < 0.01


def test_the_intervals_are_honest(fair_rows: tuple[np.ndarray, np.ndarray]) -> None:
    _, held = fair_rows
    assert len(held) > 130
    assert 0.85 <= np.mean(held) <= 0.95
