"""Published directions: which way a thermal metric is said to raise the risk of a defect.

A prior direction only: a local finding that agrees with a known mechanism deserves more trust than one that does not.
Where sources contradict each other (soak length and voids) the direction is left open.
"""

from __future__ import annotations

from dataclasses import dataclass

from ingest.defect_terms import canonical

LEE = "Lee 1999, Soldering & Surface Mount Technology 11(1), abstract as quoted on a secondary page"
CERAMIC = "chip-capacitor maker's reflow advice: keep the component-to-solder difference small in preheat"
JOINT = "semiconductor maker's reflow note: the coldest joint decides"
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Mechanism:
    """`direction` +1: a higher value raises the risk; -1: a lower one does; 0: sources contradict each other."""

    defect: str
    metric: str
    direction: int
    source: str


RAMP, SOAK, PEAK, COLDEST, ABOVE, COOLING, SPREAD, LAG = (
    "ramp_up_max_c_per_s",
    "soak_time_s",
    "hottest_peak_c",
    "coldest_peak_c",
    "time_above_liquidus_s",
    "cooling_rate_max_c_per_s",
    "spread_at_peak_c",
    "melt_lag_s",
)

MECHANISMS: tuple[Mechanism, ...] = (
    *(Mechanism(d, RAMP, 1, LEE) for d in ("bridge", "tombstone", "skew", "wicking", "open", "solder bead", "solder ball",
                                          "cracked component")),
    Mechanism("solder ball", SOAK, 1, LEE),
    Mechanism("open", SOAK, 1, LEE),
    Mechanism("nonwetting", SOAK, 1, LEE),
    Mechanism("void", SOAK, 0, "Lee 1999 against texts on area-array packages: direction depends on the paste"),
    *(Mechanism(d, PEAK, 1, LEE) for d in ("charred", "delamination", "dewetting")),
    Mechanism("void", PEAK, 0, "Lee 1999 against a university thesis on QFN pads: direction depends on paste and part"),
    *(Mechanism(d, COOLING, -1, LEE) for d in ("charred", "dewetting")),
    Mechanism("tombstone", LAG, 1, CERAMIC),
    Mechanism("tombstone", SPREAD, 1, CERAMIC),
    Mechanism("cracked component", SPREAD, 1, CERAMIC),
    *(Mechanism(d, COLDEST, -1, JOINT) for d in ("cold joint", "nonwetting", "open", "head-in-pillow", "insufficient solder")),
    *(Mechanism(d, ABOVE, -1, PRACTICE) for d in ("cold joint", "nonwetting", "head-in-pillow")),
)  # fmt: skip


def known_direction(defect: str, metric: str) -> Mechanism | None:
    """The published direction for this pair, or None when nothing is known or the sources contradict each other."""
    term = canonical(defect)
    for mechanism in MECHANISMS:
        if mechanism.defect == term and mechanism.metric == metric:
            return mechanism if mechanism.direction else None
    return None
