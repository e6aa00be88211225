"""The terms as hover texts, and the usual cautions."""

from __future__ import annotations

from analysis.quantities import QUANTITIES

DEFINITIONS = {
    "oven": "One oven with its controller. Runs of different ovens are never pooled without saying so.",
    "profile": "The temperature against time the controller was told to follow; recognised by its set points.",
    "paste": "A solder paste product with its alloy and its window.",
    "jar": "An opened container of one paste lot; runs inherit it until another is opened.",
    "board": "A board type with its revision.",
    "run": "One bake: the unit of evidence.",
    "channel": "One column of a log, usually one thermocouple.",
    "log": "The file a controller wrote. Its bytes are kept unchanged.",
    "layout": "How one controller's logs are laid out, remembered from the answers given.",
    "window": "The limits a run is judged by, with their source and revision.",
    "margin": "Distance from the nearest limit; positive is inside.",
    "uncertainty": "Expanded uncertainty (k = 2): the true value lies within ± of the reading about 95 times in 100.",
    "meets": "Every limit is met by more than the uncertainty of the measurement.",
    "fails": "At least one limit is missed by more than the uncertainty of the measurement.",
    "too close to call": "The smallest margin is inside the uncertainty of the measurement: it proves neither.",
    "not evaluated": "No verdict could be given; the reason is shown.",
    "liquidus": "The temperature above which the solder is fully liquid.",
    "finding": "What a check of the sensors or the log saw. Data is flagged, never deleted.",
    "event": "Maintenance or a change on an oven, with its date.",
    "inspection": "Someone looked at the boards. A run without one is not inspected, which is not the same as clean.",
    "defect": "What an inspection found, in the terms of the standards.",
    "typed": "Entered by a person; never overwritten by what was derived.",
    "carried over": "Taken from the last run of the same oven.",
    "derived": "Worked out from the log itself.",
    "imported": "Read from the log's header or a sheet.",
    "unknown": "Not recorded. Unknown is a value; it is not filled in silently.",
} | {name: quantity.meaning for name, quantity in QUANTITIES.items()}

ROLE_WORDS = {
    "temperature": "temperature",
    "setpoint": "set point",
    "duty": "heater duty",
    "state": "state",
    "reference_junction": "reference junction",
    "other": "other",
}

RECORDS_ONLY = (
    "Ovenbook records and advises. It does not control heat and is not a safety device; "
    "never place it in the path that removes heat."
)

# Usual cautions of the trade; local codes, the appliance's own rules and licensed people come first.
CAUTIONS = (
    (
        "Mains",
        "A modified appliance has lost its approval. Enclosure, earth bond, fuse, strain relief and residual-current "
        "protection are work for a qualified person. Isolate, lock and prove dead before touching elements or relays. "
        "Thermocouple tips can become live.",
    ),
    (
        "Over-temperature",
        "Fit an independent cut-out with its own sensor and switch and a manual reset, and test it on a schedule. "
        "Relays and semiconductor switches commonly fail closed; software cannot open them.",
    ),
    (
        "Sensors",
        "An open, shorted, lifted or reversed sensor must lead to heat off. "
        "Do not run on a sensor that is not believable.",
    ),
    (
        "Unattended heat",
        "Never heat unattended. Keep the place clear, with an extinguisher and a smoke detector. "
        "Door and boards stay hot.",
    ),
    (
        "Fumes",
        "Rosin flux fume is a leading cause of occupational asthma. Extract it at the source, to outside or through a "
        "proper filter, and keep your head out of the plume.",
    ),
    (
        "Lead",
        "Lead enters through hands and surfaces. Wash hands, keep food and drink away, separate tools and waste. "
        "Extra care for children and in pregnancy. Bismuth paste must not meet leaded finishes.",
    ),
    ("Food", "An oven used for solder is never again used for food: label it."),
)
CAUTIONS_DEFER = "Local codes, the appliance's own rules and licensed electricians come first."


def cautions_text() -> str:
    """All cautions as one text, a line each."""
    lines = [RECORDS_ONLY, *(f"{title}: {text}" for title, text in CAUTIONS), CAUTIONS_DEFER]
    return "\n".join(lines)
