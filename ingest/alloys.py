"""Solder alloys by name, so that a paste can be entered by the name on its label.

Melting ranges [°C] are those of the alloy numbers in IPC J-STD-006, as open reference tables give them (information
only, says the standard). Time above liquidus of the tin-silver-copper alloys near the eutectic is counted from 217 °C,
the temperature J-STD-020 counts from, not from the 220 °C end of their melting range.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Alloy:
    """`liquidus_c` is the temperature time above liquidus is counted from."""

    name: str
    family: str  # SnPb | PbFree | BiSn
    solidus_c: float
    liquidus_c: float


_ALLOYS = (
    Alloy("Sn63Pb37", "SnPb", 183, 183),
    Alloy("Sn62Pb36Ag2", "SnPb", 179, 179),
    Alloy("Sn60Pb40", "SnPb", 183, 191),
    Alloy("SAC305", "PbFree", 217, 217),
    Alloy("SAC405", "PbFree", 217, 217),
    Alloy("SAC387", "PbFree", 217, 217),
    Alloy("SAC105", "PbFree", 215, 227),
    Alloy("SAC0307", "PbFree", 217, 228),
    Alloy("SnAg3.5", "PbFree", 221, 221),
    Alloy("SnCu0.7", "PbFree", 227, 227),
    Alloy("BiSn", "BiSn", 138, 138),
    Alloy("BiSnAg", "BiSn", 138, 140),
)
_BY_NAME = {a.name: a for a in _ALLOYS}

# Ways a label writes an alloy, letters and digits only, longest first; "" after a family word is its common alloy.
_WRITTEN = {
    "sn63pb37": "Sn63Pb37",
    "63sn37pb": "Sn63Pb37",
    "sn63": "Sn63Pb37",
    "6337": "Sn63Pb37",
    "sn62pb36ag2": "Sn62Pb36Ag2",
    "62sn36pb2ag": "Sn62Pb36Ag2",
    "sn62": "Sn62Pb36Ag2",
    "sn60pb40": "Sn60Pb40",
    "60sn40pb": "Sn60Pb40",
    "6040": "Sn60Pb40",
    "sac305": "SAC305",
    "sn965ag30cu05": "SAC305",
    "sn965ag3cu05": "SAC305",
    "sac405": "SAC405",
    "sn955ag40cu05": "SAC405",
    "sn955ag4cu05": "SAC405",
    "sac387": "SAC387",
    "sn955ag38cu07": "SAC387",
    "sac105": "SAC105",
    "sac0307": "SAC0307",
    "snag35": "SnAg3.5",
    "sn965ag35": "SnAg3.5",
    "sncu07": "SnCu0.7",
    "sn993cu07": "SnCu0.7",
    "sn42bi58": "BiSn",
    "sn42bi57ag1": "BiSnAg",
    "bi57sn42ag1": "BiSnAg",
    "bi58sn42": "BiSn",
    "snbiag": "BiSnAg",
    "bisnag": "BiSnAg",
    "snbi": "BiSn",
    "bisn": "BiSn",
    "snpb": "Sn63Pb37",
    "pbsn": "Sn63Pb37",
    "leaded": "Sn63Pb37",
    "unleaded": "SAC305",
    "nonleaded": "SAC305",
    "sac": "SAC305",
    "leadfree": "SAC305",
    "pbfree": "SAC305",
}
KNOWN_ALLOYS = tuple(a.name for a in _ALLOYS)


def alloy_in(name: str) -> Alloy | None:
    """The alloy that a paste's name is or contains, or None. The longest way of writing found decides.

    A bare family word (lead-free, SnPb, SAC, SnBi) stands for its most used alloy. Figures alone ("63/37") count only
    with the mark between them, so that a product number is not taken for an alloy.
    """
    marked = re.search(r"(?<!\d)(63/37|60/40)(?!\d)", name)
    squeezed = re.sub(r"[^a-z0-9]", "", name.casefold())
    figures_only = {"6337", "6040"}
    for written in sorted(_WRITTEN, key=len, reverse=True):
        if written in figures_only:
            if marked and re.sub(r"\D", "", marked.group()) == written:
                return _BY_NAME[_WRITTEN[written]]
        elif _contains(squeezed, written):
            return _BY_NAME[_WRITTEN[written]]
    return None


def _contains(squeezed: str, written: str) -> bool:
    """True when the way of writing stands in the name and is not the beginning of a longer alloy figure (SAC3 of SAC307)."""
    at = squeezed.find(written)
    while at >= 0:
        following = squeezed[at + len(written) : at + len(written) + 1]
        if not (following.isdigit() and (written[-1].isdigit() or written == "sac")):
            return True
        at = squeezed.find(written, at + 1)
    return False
