"""Photographs of a row of vials, rendered from spectra. Knows nothing of the reader.

A scene is drawn in card coordinates (one unit is one pixel of an upright picture), seen through a
small rotation and perspective, then exposed: uneven light, shot and read noise, lens blur, white
balance error, sRGB tone, JPEG.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from photographs.spectra import LIGHTS, Array, Fluids, camera, fluids, linear_rgb

Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class Conditions:
    """How well the photograph is taken.

    Parameters
    ----------
    light : str
        A CIE illuminant known to colour-science.
    sensor : str
        One of `spectra.CAMERAS`.
    exposure : float
        Linear level of the card in the middle of the picture; above 1 it is burnt out.
    unevenness : float
        Fall of the light across the picture, as a share.
    noise : float
        Relative shot noise of a card pixel.
    balance : float
        Relative standard deviation of the white balance gains.
    veil : float
        Stray light, as a share of the card.
    glare : float
        Strength of the highlights on the glass; 0 for none.
    shadow : float
        Depth of the vials' shadows on the card.
    tilt : float
        Rotation in degrees, anticlockwise.
    keystone : float
        Perspective: relative difference of scale between top and bottom.
    bore : float
        Relative standard deviation of the vials' bores.
    quality : int
        JPEG quality.
    contrast : float
        Strength of the S-shaped curve that a camera lays over its picture; 0 for none.
    """

    light: str = "D65"
    sensor: str = "measured"
    exposure: float = 0.75
    unevenness: float = 0.15
    noise: float = 0.02
    balance: float = 0.03
    veil: float = 0.002
    glare: float = 0.5
    shadow: float = 0.08
    tilt: float = 0.0
    keystone: float = 0.0
    bore: float = 0.01
    quality: int = 90
    contrast: float = 0.0


@dataclass(frozen=True)
class Scene:
    """What stands before the camera."""

    fluids: Fluids
    shares: Array
    conditions: Conditions
    width: int = 1200
    height: int = 900
    cap: str = "none"
    fill: float = 0.8
    bench: str = "grey"
    marks: bool = False
    card: tuple[float, float, float, float] = (0.05, 0.06, 0.95, 0.94)
    vial_share: float = 0.55
    vial_height: float = 0.6
    seed: int = 0


@dataclass(frozen=True)
class Rendered:
    """A photograph and the truth about it."""

    pixels: Pixels
    shares: Array
    boxes: list[list[list[float]]] = field(default_factory=list)
    quality: int = 90

    def jpeg(self) -> bytes:
        out = io.BytesIO()
        Image.fromarray(self.pixels).save(out, "JPEG", quality=self.quality)
        return out.getvalue()

    def png(self) -> bytes:
        out = io.BytesIO()
        Image.fromarray(self.pixels).save(out, "PNG")
        return out.getvalue()


_BENCHES = {
    "grey": (0.22, 0.22, 0.23),
    "dark": (0.04, 0.04, 0.045),
    "wood": (0.30, 0.18, 0.10),
    "white": (0.97, 0.97, 0.97),
    "light grey": (0.5, 0.5, 0.49),
}
_CAPS = {"black": (0.02, 0.02, 0.02), "white": (0.9, 0.9, 0.9), "blue": (0.04, 0.10, 0.45)}
_INK = (0.05, 0.05, 0.09)


def render(scene: Scene) -> Rendered:
    """Take the photograph."""
    rng = np.random.default_rng(scene.seed)
    how = scene.conditions
    picture, boxes = _stage(scene, rng)
    look = _view(scene)
    size = (scene.width, scene.height)
    picture = cv2.warpPerspective(
        picture, look, size, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE
    )
    picture = picture * _illumination(scene, rng)[:, :, None]
    picture = picture * np.exp(how.balance * rng.normal(size=3))
    picture = picture * how.exposure
    picture = picture + how.veil * how.exposure
    # Shot noise grows with the root of the light; the reader of the sensor adds a little more.
    grain = rng.normal(size=picture.shape).astype(np.float32)
    picture = picture + grain * np.sqrt(how.noise**2 * np.maximum(picture, 0) + 2e-7)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7)
    shown = _tone(picture)
    shown = s_curve(shown, how.contrast)
    pixels = np.rint(255 * shown).astype(np.uint8)
    seen = [cv2.perspectiveTransform(np.array([box]), look)[0].tolist() for box in boxes]
    return Rendered(pixels, scene.shares, seen, how.quality)


def _tone(light: Array) -> Array:
    """The sRGB curve, written out here on purpose."""
    v = np.clip(light, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(v, 1 / 2.4) - 0.055)


def s_curve(shown: Array, contrast: float) -> Array:
    """Darken the darks and brighten the brights, as cameras do; black and white stay."""
    return np.asarray(shown - contrast * np.sin(2 * np.pi * shown) / (2 * np.pi))


def _view(scene: Scene) -> NDArray[np.float64]:
    """Homography from the stage (with a margin of a quarter all round) to the picture."""
    w, h = scene.width, scene.height
    angle = np.deg2rad(scene.conditions.tilt)
    centre = np.array([[1, 0, w / 2], [0, 1, h / 2], [0, 0, 1.0]])
    turn = np.array(
        [[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]]
    )
    lean = np.eye(3)
    lean[2, 1] = scene.conditions.keystone / h
    back = np.array([[1, 0, -0.75 * w], [0, 1, -0.75 * h], [0, 0, 1.0]])
    return np.asarray(centre @ lean @ turn @ back)


def _illumination(scene: Scene, rng: np.random.Generator) -> NDArray[np.float32]:
    """A lamp to one side and a lens that darkens its corners."""
    w, h = scene.width, scene.height
    x = (np.arange(w, dtype=np.float32) / w - 0.5)[None, :]
    y = (np.arange(h, dtype=np.float32) / h - 0.5)[:, None]
    depth = scene.conditions.unevenness
    angle = rng.uniform(0, 2 * np.pi)
    reach = 1.6
    lamp = (x - 0.9 * np.cos(angle)) ** 2 + (y - 0.9 * np.sin(angle)) ** 2
    fall = 1 / (1 + lamp / reach**2) ** 1.5
    fall = fall / fall[h // 2, w // 2]
    lens = (1 + 0.35 * (x**2 + y**2)) ** -2
    field_ = np.power(fall, depth / 0.6) * np.power(lens, depth / 0.3)
    return field_.astype(np.float32)


def _stage(scene: Scene, rng: np.random.Generator) -> tuple[NDArray[np.float32], list[Array]]:
    """The picture as transmittance and reflectance, card being 1, with a margin all round."""
    w, h = scene.width, scene.height
    stage = np.empty((int(1.5 * h), int(1.5 * w), 3), np.float32)
    stage[:] = _BENCHES[scene.bench]
    if scene.bench == "wood":
        lines = cv2.GaussianBlur(rng.normal(size=(stage.shape[0], 1)).astype(np.float32), (1, 9), 3)
        stage *= 1 + 0.5 * lines[:, :, None]
    left, top, right, bottom = scene.card
    x0, y0 = int((0.25 + left) * w), int((0.25 + top) * h)
    x1, y1 = int((0.25 + right) * w), int((0.25 + bottom) * h)
    paper = 1 + 0.004 * rng.normal(size=(y1 - y0, x1 - x0, 1)).astype(np.float32)
    stage[y0:y1, x0:x1] = paper

    count = len(scene.shares)
    pitch = (x1 - x0) / (count + 0.5)
    tall = scene.vial_height * (y1 - y0)
    wide = min(scene.vial_share * pitch, 0.45 * tall)
    base = y0 + 0.5 * (y1 - y0) + 0.5 * tall
    weights = camera(scene.conditions.sensor, scene.conditions.light)
    spectra = scene.fluids.mixed(scene.shares)
    bores = 1 + scene.conditions.bore * rng.normal(size=count)
    boxes = []
    for k in range(count):
        middle = x0 + (k + 0.75) * pitch + 0.02 * pitch * rng.normal()
        foot = base + 0.004 * h * rng.normal()
        level = scene.fill * (1 + 0.01 * rng.normal())
        _shade(stage, middle, foot, wide, tall, scene.conditions.shadow)
        box = _vial(stage, scene, spectra[k] * bores[k], weights, middle, foot, wide, tall, level)
        boxes.append(box)
        if scene.marks:
            _mark(stage, str(k + 1), middle - 0.2 * wide, foot + 0.16 * tall, wide / 60)
    return stage, boxes


def _mark(stage: NDArray[np.float32], text: str, x: float, y: float, size: float) -> None:
    """Write on the card with a pen."""
    ink = np.zeros(stage.shape[:2], np.uint8)
    stroke = max(1, int(2 * size))
    cv2.putText(ink, text, (int(x), int(y)), cv2.FONT_HERSHEY_SIMPLEX, size, 255, stroke)
    cover = (ink / 255.0)[:, :, None]
    stage[:] = stage * (1 - cover) + np.array(_INK) * cover


def _shade(
    stage: NDArray[np.float32], middle: float, foot: float, wide: float, tall: float, depth: float
) -> None:
    """A soft grey shadow to the right of the vial, on the card."""
    if depth == 0:
        return
    h, w = stage.shape[:2]
    y0, y1 = max(0, int(foot - tall)), min(h, int(foot + 0.05 * tall))
    x0, x1 = max(0, int(middle)), min(w, int(middle + 1.1 * wide))
    x = (np.arange(x0, x1, dtype=np.float32) - middle) / wide
    soft = depth * np.clip(1.1 - x, 0, 1) * np.clip(x, 0, 1) * 2
    stage[y0:y1, x0:x1] *= 1 - soft[None, :, None]


def _vial(
    stage: NDArray[np.float32],
    scene: Scene,
    spectrum: Array,
    weights: Array,
    middle: float,
    foot: float,
    wide: float,
    tall: float,
    level: float,
) -> Array:
    """Draw one vial; its fluid's corners are the answer."""
    glare = scene.conditions.glare
    x0, x1 = int(np.floor(middle - wide / 2)), int(np.ceil(middle + wide / 2))
    top, bottom = int(foot - tall), int(foot)
    u = (np.arange(x0, x1) + 0.5 - middle) / (wide / 2)
    inside = np.abs(u) < 1
    wall = 0.90
    chord = np.sqrt(np.clip(1 - (u / wall) ** 2, 0, 1))
    through = linear_rgb(chord[:, None] * spectrum, weights)
    # Towards the rim the glass bends the card's light away and the surroundings are seen instead.
    rim = 1 - 0.55 * np.clip((np.abs(u) - 0.82) / 0.18, 0, 1) ** 1.5
    glass = (0.93 * rim)[:, None]
    column = np.where(inside[:, None], through * glass, 1.0)
    empty = np.where(inside[:, None], (0.96 * rim)[:, None] * np.ones(3), 1.0)

    y = np.arange(top, bottom)
    surface = bottom - level * tall
    # A rounded foot and a curved surface of the fluid.
    round_ = 0.25 * wide * (1 - np.sqrt(np.clip(1 - u**2, 0, 1)))
    climb = 0.06 * wide * u**2
    fluid = (y[:, None] >= (surface - climb)[None, :]) & (y[:, None] < (bottom - round_)[None, :])
    body = (y[:, None] < (bottom - round_)[None, :]) & inside[None, :]
    patch = stage[top:bottom, x0:x1]
    drawn = np.where(fluid[:, :, None], column[None], empty[None])
    edge = np.abs(y[:, None] - (surface - climb)[None, :]) < max(1.0, 0.012 * tall)
    drawn = np.where((edge & body)[:, :, None], drawn * 0.6, drawn)
    thick = (bottom - round_)[None, :] - y[:, None]
    heel = np.clip(1 - thick / (0.05 * tall), 0, 1)
    drawn = drawn * (1 - 0.5 * heel[:, :, None])
    stage[top:bottom, x0:x1] = np.where(body[:, :, None], patch * drawn, patch)

    if glare > 0:
        for at, width, strength in ((-0.45, 0.07, 1.0), (0.55, 0.035, 0.5)):
            ray = np.exp(-(((u - at) / width) ** 2)) * inside
            upright = np.clip((y - top) / (0.1 * tall), 0, 1) * np.clip(
                (bottom - 0.12 * tall - y) / (0.1 * tall), 0, 1
            )
            stage[top:bottom, x0:x1] += (
                glare * strength * upright[:, None, None] * ray[None, :, None]
            ).astype(np.float32)
    if scene.cap != "none":
        lid = int(0.13 * tall)
        over = int(0.04 * wide)
        stage[top - lid // 3 : top + lid, x0 - over : x1 + over] = _CAPS[scene.cap]
    half = wide / 2
    return np.array(
        [
            [middle - half, surface],
            [middle + half, surface],
            [middle + half, float(bottom)],
            [middle - half, float(bottom)],
        ]
    )


def fair_scene(
    seed: int, *, kind: str, lamp: str, darkness: float, exposure: float, contrast: float = 0.3
) -> Scene:
    """A photograph taken with ordinary care: everything not named is drawn from the seed.

    The camera's curve is drawn too, from none to `contrast`.
    """
    rng = np.random.default_rng([seed, 7])
    between = int(rng.integers(2, 6))
    shares = np.concatenate([[1.0], np.sort(rng.uniform(0.01, 0.75, between))[::-1], [0.0]])
    how = Conditions(
        light=str(rng.choice(LIGHTS[lamp])),
        sensor=str(rng.choice(["observer", "measured", "broad", "narrow"])),
        exposure=exposure,
        unevenness=rng.uniform(0.0, 0.25),
        noise=rng.uniform(0.01, 0.04),
        balance=0.03,
        veil=rng.uniform(0.0, 0.008),
        glare=rng.uniform(0.0, 0.7),
        shadow=rng.uniform(0.0, 0.12),
        tilt=rng.uniform(-4, 4),
        keystone=rng.uniform(-0.08, 0.08),
        bore=0.01,
        quality=int(rng.integers(80, 96)),
        contrast=np.random.default_rng([seed, 8]).uniform(0.0, contrast),
    )
    return Scene(
        fluids=fluids(rng, kind, darkness),
        shares=shares if rng.random() < 0.5 else shares[::-1],
        conditions=how,
        width=960,
        height=720,
        cap=str(rng.choice(["none", "none", "black", "white", "blue"])),
        fill=rng.uniform(0.6, 0.85),
        bench=str(rng.choice(["grey", "dark", "wood", "white"])),
        marks=bool(rng.random() < 0.3),
        vial_share=rng.uniform(0.4, 0.7),
        vial_height=rng.uniform(0.45, 0.75),
        seed=seed,
    )
