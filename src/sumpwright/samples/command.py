"""``sumpwright samples``: the share of old fluid in each vial of a photographed row."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.samples.reading import RowReading


RowPhoto = Annotated[Path, typer.Argument(help="Photograph of the row: JPEG, PNG or HEIC.")]
OldEnd = Annotated[
    str, typer.Option("--old", help="End at which the drained old fluid stands: left or right.")
]
DilutionPhoto = Annotated[
    Path | None,
    typer.Option("--dilution", help="Photograph of a dilution row of the same two fluids."),
]
DilutionShares = Annotated[
    str, typer.Option("--dilution-shares", help="Its old shares in percent, from left to right.")
]
USUAL_SHARES = "100,75,50,25,0"


def samples(
    photo: RowPhoto,
    old: OldEnd,
    json_out: Annotated[
        bool, typer.Option("--json", help="Print one JSON object and nothing else.")
    ] = False,
    drawn: Annotated[
        Path | None,
        typer.Option("--drawn", metavar="FILE.png", help="Write the photograph with the shares."),
    ] = None,
    threshold: Annotated[
        float,
        typer.Option("--threshold", help="Colour difference from which two vials are told apart."),
    ] = 2.0,
    dilution: DilutionPhoto = None,
    dilution_shares: DilutionShares = USUAL_SHARES,
) -> None:
    """Read the share of old fluid from a photograph of a row of vials.

    The drained old fluid stands at one end of the row and unused fluid at the other, before a
    plain white card.
    """
    from sumpwright.samples.photograph import load
    from sumpwright.samples.reading import calibrate, read_row

    kind = _kind(drawn)
    calibration = None
    if dilution is not None:
        calibration = calibrate(load(dilution), shares_in(dilution_shares))
    picture = load(photo)
    reading = read_row(picture, old, threshold=threshold, calibration=calibration)
    if drawn is not None:
        from sumpwright.samples.drawing import draw_shares

        drawn.write_bytes(draw_shares(picture, reading, kind=kind))
    if json_out:
        typer.echo(reading.to_json())
        return
    for line in told(reading):
        typer.echo(line)
    for warning in reading.warnings:
        typer.echo(f"warning: {warning}", err=True)


def shares_in(text: str) -> list[float]:
    """Read shares in percent, parted by commas or blanks.

    Raises
    ------
    Complaint
        If one is no number from 0 to 100.

    Examples
    --------
    >>> shares_in("100, 75 50 25 0 %")
    [1.0, 0.75, 0.5, 0.25, 0.0]
    """
    found = []
    for word in text.replace("%", " ").replace(",", " ").replace(";", " ").split():
        try:
            value = float(word)
        except ValueError:
            value = -1.0
        if not 0.0 <= value <= 100.0:
            raise Complaint(
                f"'{word}' is no share in percent",
                "give numbers from 0 to 100, such as 100,75,50,25,0",
                "--dilution-shares",
                "shares",
            )
        found.append(value / 100.0)
    return found


def told(reading: RowReading) -> list[str]:
    """What the row says, a line for each vial.

    Parameters
    ----------
    reading : RowReading
        From `read_row`.

    Returns
    -------
    list of str
        A heading and one line a vial, from left to right.
    """
    lines = ["vial  old share      90 % interval   ΔE to new  ΔE to the vial to its left"]
    last = len(reading.vials) - 1
    for k, vial in enumerate(reading.vials):
        if k in (0, last):
            is_old = (k == 0) == (reading.old == "left")
            share, between = ("old fluid" if is_old else "unused"), ""
        else:
            share = f"{100 * vial.old_share:.1f} % ± {100 * vial.standard_error:.1f}"
            between = f"{100 * vial.low:.1f} to {100 * vial.high:.1f} %"
        step = ""
        if vial.delta_e_to_previous is not None:
            step = f"{vial.delta_e_to_previous:.1f}"
            step += "" if vial.told_apart else ", cannot be told apart"
        line = f"{k + 1:<4}  {share:<13}  {between:<14}  {vial.delta_e_to_new:<9.1f}  {step}"
        lines.append(line.rstrip())
    return lines


def _kind(drawn: Path | None) -> str:
    """Check, before the photograph is read, that the drawing can be written; its kind of file."""
    if drawn is None:
        return ""
    kinds = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG"}
    kind = kinds.get(drawn.suffix.lower())
    if kind is None:
        raise Complaint(
            "the drawing is written as PNG or JPEG", "end its name in .png or .jpg", "--drawn"
        )
    folder = drawn.parent
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        raise Complaint(
            f"there is no folder {folder} to write to", "name one that exists", "--drawn"
        )
    return kind
