"""Taking a photograph in: bounded, upright, in sRGB, and nothing of it kept but the picture."""

from __future__ import annotations

import io
import re
import struct
import warnings
import zlib
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from sumpwright.errors import Complaint

__all__ = ["LARGEST_PIXELS", "PhotoSource", "Photograph", "Pixels", "load"]

Pixels: TypeAlias = NDArray[np.uint8]
PhotoSource: TypeAlias = "str | PathLike[str] | bytes"

LARGEST_BYTES = 100_000_000
LARGEST_PIXELS = 64_000_000
SMALLEST_SIDE = 120
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")  # JPEG includes the two-picture files of some phones
# How the decoders fail on a damaged file.
_DAMAGE = (
    OSError,
    SyntaxError,
    ValueError,
    EOFError,
    IndexError,
    RuntimeError,
    MemoryError,
    struct.error,
    zlib.error,
)
_TAKE = "send a JPEG, PNG, WebP or HEIC photograph"


@dataclass(frozen=True)
class Photograph:
    """An upright picture in sRGB.

    Parameters
    ----------
    pixels : numpy.ndarray of uint8, shape (height, width, 3)
        The picture as a viewer sees it, turned by its EXIF orientation.
    name : str
        File name, empty for bytes.
    grey : bool
        The picture holds no colour.
    """

    pixels: Pixels
    name: str = ""
    grey: bool = False

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        return self.pixels.shape[1], self.pixels.shape[0]

    def kept(self, longest: int = 2400, quality: int = 90) -> bytes:
        """The copy to keep with the record: a JPEG with no EXIF, place, time or device in it.

        Parameters
        ----------
        longest : int
            Longest side of the copy in pixels; a smaller picture keeps its size.
        quality : int
            JPEG quality.

        Returns
        -------
        bytes
            The JPEG file.

        Examples
        --------
        >>> copy = Photograph(np.zeros((200, 300, 3), np.uint8)).kept(longest=150)
        >>> Image.open(io.BytesIO(copy)).size
        (150, 100)
        """
        image = Image.fromarray(self.pixels)
        image.thumbnail((longest, longest))
        out = io.BytesIO()
        image.save(out, "JPEG", quality=quality)
        return out.getvalue()


def load(source: PhotoSource) -> Photograph:
    """Read a photograph, turn it upright and bring it to sRGB.

    Parameters
    ----------
    source : path or bytes
        A JPEG, PNG, WebP or HEIC file, by name or by content.

    Returns
    -------
    Photograph
        The upright picture.

    Raises
    ------
    Complaint
        If it cannot be found, is no picture, is cut short, too small or too large. Its size is
        checked before anything is decoded.

    Examples
    --------
    >>> load(b"a letter, not a picture")
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: this is not a picture that can be read; send a JPEG, PNG, WebP or \
HEIC photograph
    """
    data, name = _content(source)
    _register()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the size is checked here, below the library's limit
            image = Image.open(io.BytesIO(data), formats=_FORMATS)
            _check_size(image.size, name)
            if image.format in ("JPEG", "MPO"):
                _check_jpeg(data)
            grey = image.mode in ("1", "L", "LA", "I", "I;16", "F")
            pixels = _upright(image)
    except Complaint:
        raise
    except UnidentifiedImageError:
        raise Complaint("this is not a picture that can be read", _TAKE, name, "photo") from None
    except Image.DecompressionBombError:
        raise Complaint("the picture is too large", _SMALLER, name, "photo") from None
    except _DAMAGE as fault:
        raise Complaint(
            "the picture is damaged or cut short", "take or send it again", name, "photo"
        ) from fault
    return Photograph(pixels, name, grey)


_SMALLER = f"send one of at most {LARGEST_PIXELS // 1_000_000} megapixels"


def _content(source: PhotoSource) -> tuple[bytes, str]:
    if isinstance(source, bytes | bytearray | memoryview):
        data, name = bytes(source), ""
    else:
        path = Path(source)
        name = path.name
        try:
            if path.stat().st_size > LARGEST_BYTES:
                raise Complaint("the file is too large", _SMALLER, name, "photo")
            data = path.read_bytes()
        except OSError as fault:
            reason = fault.strerror or "cannot be read"
            raise Complaint(
                f"the photograph cannot be read ({reason.lower()})",
                "check the file name",
                str(path),
                "photo",
            ) from None
    if len(data) > LARGEST_BYTES:
        raise Complaint("the file is too large", _SMALLER, name, "photo")
    if not data:
        raise Complaint("the file is empty", _TAKE, name, "photo")
    return data, name


def _register() -> None:
    import pi_heif  # a large shared library; loaded once a photograph is really read

    Image.init()
    pi_heif.register_heif_opener()


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if width * height > LARGEST_PIXELS:
        raise Complaint(
            f"the picture is too large ({width} x {height} pixels)", _SMALLER, name, "photo"
        )
    if min(width, height) < SMALLEST_SIDE:
        raise Complaint(
            f"the picture is too small ({width} x {height} pixels)",
            f"send one of at least {SMALLEST_SIDE} pixels on each side",
            name,
            "photo",
        )


def _check_jpeg(data: bytes) -> None:
    """Raise ValueError when the compressed picture is broken anywhere.

    The usual decoder goes on past broken data with whatever comes out, which is then measured.
    """
    import simplejpeg  # needed for nothing else

    for stream in (data, _PLAIN_SCAN.sub(_whole_scan, data)):
        try:
            _, _, colours, _ = simplejpeg.decode_jpeg_header(stream, strict=False)
        except ValueError:
            return  # an unusual form, such as of its colour grid, that only the other decoder reads
        form = "CMYK" if colours == "CMYK" else "GRAY"
        try:
            simplejpeg.decode_jpeg(stream, colorspace=form, fastdct=True, min_factor=8)
        except ValueError as fault:
            # Some phones write a wrong range of frequencies, which sequential files do not need.
            if "SOS parameters" not in str(fault):
                raise
        else:
            return
    raise ValueError("the scan is broken")


_PLAIN_SCAN = re.compile(rb"\xff\xda\x00\x0c\x03(......)...", re.DOTALL)


def _whole_scan(scan: re.Match[bytes]) -> bytes:
    return b"\xff\xda\x00\x0c\x03" + scan[1] + b"\x00\x3f\x00"


def _upright(image: Image.Image) -> Pixels:
    """Decode, flatten on white, turn upright and bring to sRGB, 8 bits."""
    profile = image.info.get("icc_profile")
    image.load()
    if image.getexif().get(0x0112, 1) != 1:
        image = ImageOps.exif_transpose(image)
    if image.mode.startswith("I") or image.mode == "F":
        deep = np.asarray(image, dtype=np.float64)
        image = Image.fromarray(np.clip(deep / 257.0, 0, 255).astype(np.uint8))
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        layered = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", layered.size, "white"), layered)
    if image.mode != "RGB":
        image = image.convert("RGB")
    elif profile:
        image = _to_srgb(image, profile)
    return np.asarray(image)


def _to_srgb(image: Image.Image, profile: bytes) -> Image.Image:
    """Apply an embedded colour profile; phones write wider spaces than sRGB."""
    try:
        theirs = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if "srgb" in ImageCms.getProfileDescription(theirs).lower():
            return image
        done = ImageCms.profileToProfile(
            image, theirs, ImageCms.createProfile("sRGB"), outputMode="RGB"
        )
    except (ImageCms.PyCMSError, OSError):
        return image  # a broken profile: viewers show such a picture as sRGB too
    return done if done is not None else image
