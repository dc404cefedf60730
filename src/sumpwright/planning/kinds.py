"""The kinds of wet system that planning knows, and the many names they go by."""

from __future__ import annotations

import difflib
import re
import unicodedata

KINDS: tuple[str, ...] = (
    "torque-converter automatic",
    "continuously variable",
    "dual clutch",
    "manual gearbox",
    "hydrostatic drive",
    "transfer case",
    "axle",
    "engine",
    "power steering",
    "hydraulic system",
    "coolant circuit",
    "other",
)

_VARIANTS: dict[str, tuple[str, ...]] = {
    "torque-converter automatic": (
        "automatic",
        "automatic gearbox",
        "automatic transmission",
        "auto gearbox",
        "auto transmission",
        "auto",
        "at",
        "torque converter",
        "torque converter gearbox",
        "torque converter transmission",
        "conventional automatic",
        "planetary automatic",
        "stepped automatic",
    ),
    "continuously variable": (
        "cvt",
        "cvt gearbox",
        "cvt transmission",
        "ecvt",
        "variator",
        "continuously variable gearbox",
        "continuously variable transmission",
        "continuously variable automatic",
        "stepless gearbox",
        "stepless transmission",
    ),
    "dual clutch": (
        "dct",
        "wet dual clutch",
        "dual clutch gearbox",
        "dual clutch transmission",
        "dual clutch automatic",
        "double clutch",
        "double clutch gearbox",
        "twin clutch",
        "twin clutch gearbox",
    ),
    "manual gearbox": (
        "manual",
        "manual transmission",
        "gearbox manual",
        "mt",
        "stick shift",
        "automated manual",
    ),
    "hydrostatic drive": (
        "hydrostatic",
        "hydrostatic transmission",
        "hydrostatic gearbox",
        "hydrostat",
        "hst",
        "hydrostatic steering drive",
    ),
    "transfer case": ("transfer box", "transfer gearbox", "transfer", "drop box"),
    "axle": (
        "final drive",
        "differential",
        "diff",
        "front axle",
        "rear axle",
        "front differential",
        "rear differential",
        "drive axle",
        "axle drive",
        "hub reduction",
        "portal axle",
        "bevel box",
    ),
    "engine": (
        "motor",
        "engine oil",
        "engine sump",
        "crankcase",
        "diesel engine",
        "petrol engine",
        "gasoline engine",
        "generator engine",
        "four stroke engine",
    ),
    "power steering": (
        "steering",
        "steering system",
        "power assisted steering",
        "hydraulic steering",
        "pas",
    ),
    "hydraulic system": (
        "hydraulics",
        "hydraulic",
        "hydraulic circuit",
        "hydraulic tank",
        "implement hydraulics",
        "loader hydraulics",
        "winch hydraulics",
    ),
    "coolant circuit": (
        "coolant",
        "cooling system",
        "cooling circuit",
        "coolant system",
        "radiator",
        "engine coolant",
    ),
    "other": ("unknown", "else"),
}


def _squeeze(text: str) -> str:
    folded = unicodedata.normalize("NFKC", text).casefold()
    return " ".join(re.findall(r"[^\W_]+", folded))


_BY_NAME: dict[str, str] = {
    _squeeze(name): kind for kind in KINDS for name in (kind, *_VARIANTS[kind])
}


def canonical_kind(text: str) -> tuple[str, str | None]:
    """Find the kind of system that a natural name means.

    Parameters
    ----------
    text : str
        What the user calls it, in any case, with or without hyphens.

    Returns
    -------
    kind : str
        One of ``KINDS``; ``"other"`` when the name is not known.
    warning : str or None
        What to tell the user when the name is not known, naming the nearest
        kinds; ``None`` when it is.

    Examples
    --------
    >>> canonical_kind("CVT")
    ('continuously variable', None)
    >>> canonical_kind("Torque converter automatic")
    ('torque-converter automatic', None)
    >>> canonical_kind("torque-convertor auto")[0]
    'other'
    """
    name = _squeeze(text)
    kind = _BY_NAME.get(name)
    if kind is not None:
        return kind, None
    near: list[str] = []
    for match in difflib.get_close_matches(name, list(_BY_NAME), n=6, cutoff=0.5):
        if _BY_NAME[match] not in near and _BY_NAME[match] != "other":
            near.append(_BY_NAME[match])
    words = set(name.split())
    for known, candidate in _BY_NAME.items():
        if words & set(known.split()) and candidate not in near and candidate != "other":
            near.append(candidate)
    choices = near[:3] or [k for k in KINDS if k != "other"]
    listed = ", ".join(f"'{k}'" for k in choices)
    lead = "the known kinds are"
    if near:
        lead = "the nearest known kind is" if len(choices) == 1 else "the nearest known kinds are"
    return "other", (
        f"kind '{' '.join(text.split())[:60]}' is not known and is treated as 'other'; "
        f"{lead} {listed}"
    )


def kind_said(text: str) -> str:
    """Return a kind as the user calls it, and what it is taken as where that is another name.

    Examples
    --------
    >>> kind_said("axle"), kind_said("CVT")
    ('axle', 'CVT, taken as continuously variable')
    """
    kind, _ = canonical_kind(text)
    same = _squeeze(kind) == _squeeze(text)
    return text if same else f"{text}, taken as {kind}"
