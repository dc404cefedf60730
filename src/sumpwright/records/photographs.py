"""Photographs: made anew from their pixels, so that nothing else of them is kept."""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

from sumpwright.errors import Complaint
from sumpwright.records.attachments import Attachment, check_file

if TYPE_CHECKING:
    from PIL.Image import Image

    from sumpwright.records.store import Store

PICTURES = ("image/jpeg", "image/png", "image/webp", "image/heic", "image/heif")
"""Media types of photographs."""

LARGEST_SIDE = 2560
"""Pixels: enough to read a label on a vial."""
MOST_PIXELS = 80_000_000
_QUALITY = 88
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")


def cleaned(data: bytes) -> bytes:
    """Return a photograph as a JPEG that holds its pixels and their colours, nothing else.

    Place, time and device that a camera writes into its files are gone, and so is
    whatever else was hidden in them.

    Parameters
    ----------
    data : bytes
        JPEG, PNG, WebP or HEIF.

    Raises
    ------
    Complaint
        When the bytes are no such picture, damaged, or too many pixels.

    Examples
    --------
    >>> cleaned(b"not a picture")
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: this file is not a photograph that can be read; send it as it \
came from the camera: JPEG, PNG, WebP or HEIC
    """
    import pi_heif
    from PIL import Image, ImageOps

    pi_heif.register_heif_opener()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=_FORMATS) as picture:
                picture.verify()
            with Image.open(io.BytesIO(data), formats=_FORMATS) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    raise Image.DecompressionBombError
                colours = picture.info.get("icc_profile") if picture.mode == "RGB" else None
                upright = ImageOps.exif_transpose(picture)
                flat = _flat(upright)
    except Exception as error:
        # Decoders raise whatever the broken bytes lead them to.
        raise Complaint(
            "this file is not a photograph that can be read",
            "send it as it came from the camera: JPEG, PNG, WebP or HEIC",
            field="photograph",
        ) from error
    flat.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
    out = io.BytesIO()
    more = {"icc_profile": colours} if isinstance(colours, bytes) else {}
    flat.save(out, "JPEG", quality=_QUALITY, **more)
    return out.getvalue()


def _flat(picture: Image) -> Image:
    """Return a picture as RGB, on white where it is transparent."""
    from PIL import Image as Images

    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        seen = picture.convert("RGBA")
        ground = Images.new("RGBA", seen.size, "white")
        return Images.alpha_composite(ground, seen).convert("RGB")
    return picture.convert("RGB")


def keep_photograph(store: Store, data: bytes, name: str, by: str) -> Attachment:
    """Keep an uploaded photograph, cleaned.

    Raises
    ------
    Complaint
        As `cleaned`.
    """
    stem = name.replace("\\", "/").rsplit("/", 1)[-1].partition(".")[0] or "photograph"
    return store.attachments.add(cleaned(data), "image/jpeg", name=f"{stem}.jpg", by=by)


def keep_file(store: Store, data: bytes, media_type: str, name: str, by: str) -> Attachment:
    """Keep a file of any type that is taken; of a photograph nothing but its pixels.

    Raises
    ------
    Complaint
        When it is too large, of a type not taken, or not what it says it is.
    """
    media = media_type.partition(";")[0].strip().lower()
    check_file(data, media)
    if media in PICTURES:
        try:
            return keep_photograph(store, data, name, by)
        except Complaint as complaint:
            raise Complaint(complaint.what, complaint.do, field="attachment") from complaint
    return store.attachments.add(data, media, name=name, by=by)
