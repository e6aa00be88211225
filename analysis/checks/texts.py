"""What each finding would mean and the simplest check to do first: one table, read by every check and by the documents.

The faults, their signs and the first checks are common practice with small ovens and thermocouples, no single source;
the wiring faults (reversed, wrong type, reference junction) follow from the thermocouple functions of ITS-90.
"""

from __future__ import annotations

STOP_SENSOR = "Sensor not believable: do not run."
STOP_HEAT = "Heat with command at zero: switch off at the wall now."
STOP_RUNAWAY = "Heat out of control: switch off at the wall now."

# Order of the list is the order of the surfaces: what can mean danger first, then sensors, then the log.
MEANING: dict[str, tuple[str, str]] = {
    "heat_at_zero_command": (
        "The heater is fed although nothing asks for heat: a switch or relay failed closed, or the logged duty is not "
        "what the heater gets.",
        "Power off at the wall: the oven must cool at once. Only an independent cut-out protects against this.",
    ),
    "runaway": (
        "The oven heats on past what the set point asks for: failed switch, control sensor not seeing the oven, "
        "or a wrong control setting.",
        "Power off at the wall, let it cool, then compare the control sensor with a second one at low heat.",
    ),
    "stuck": (
        "The channel repeats one value and does not answer to heat: dead input, shorted wire or a frozen reading. "
        "An average or a controller that uses it sees a wrong oven.",
        "Plot the channels alone; pinch the tip with a warm hand: the reading must rise.",
    ),
    "reversed": (
        "The thermocouple is connected the wrong way round: its reading falls as the oven heats.",
        "Warm the tip by hand: the reading must rise. If it falls, swap the two wires at the input.",
    ),
    "open": (
        "The thermocouple circuit is open or the input is at the end of its range.",
        "Wiggle the plug and the lead near the tip while watching the reading.",
    ),
    "control_lifted": (
        "The control sensor no longer sees what it saw: lifted, moved, or reading wrong. Its own numbers look normal "
        "while everything else in the oven is hotter or colder than usual.",
        "Look at the control tip and its fixing; compare the other channels with the last comparable run.",
    ),
    "average_hides": (
        "An average contains a channel that cannot be believed: the true board is hotter or colder than the average.",
        "Plot the channels alone, and judge each channel by itself.",
    ),
    "twin": (
        "Two channels carry one sensor's reading: one of them is not measured at all.",
        "Warm one tip by hand and see which readings move.",
    ),
    "wrong_scale": (
        "The reading is scaled: the input is set to another thermocouple type than the wire, or to another unit.",
        "Check the type and unit setting; boiling water must read close to 100 °C at sea level.",
    ),
    "swapped": (
        "Two channels have changed places: the usual pattern is mirrored. A board turned on the rack does the same to "
        "tips that are fixed on the board.",
        "Warm one tip and see which reading moves.",
    ),
    "reference_shift": (
        "All channels moved by the same amount, cold too: the reference junction at the input reads wrong.",
        "With the oven cold for an hour, compare every channel with a room thermometer beside the input.",
    ),
    "cold_disagreement": (
        "The channels disagree although the oven is cold and they must be equal: offset of one input, a poor contact, "
        "or a tip that touches something warm.",
        "Leave the oven idle for an hour and read all channels again.",
    ),
    "room_disagreement": (
        "A cold oven must read the room's temperature. An offset here is carried through the whole run.",
        "Put a room thermometer beside the tips after an hour idle.",
    ),
    "lifted": (
        "The tip leads the others more than it usually does: it sees air instead of the board.",
        "Look at the tip and its fixing; compare its lag with its usual lag.",
    ),
    "dropout": (
        "The reading comes and goes: loose plug, chafed lead or a bus that loses messages.",
        "Wiggle the plug and bend the lead along its length while watching the reading.",
    ),
    "spike": (
        "Single readings jump and come back faster than a tip can heat: loose contact or switching interference.",
        "Wiggle the plug; route the sensor lead away from mains wiring.",
    ),
    "heater_noise": (
        "The scatter rises while the heater is on: interference or a ground loop. Ramps and peaks read too high.",
        "Compare the scatter with the heater on and off; route leads apart, use insulated tips.",
    ),
    "log_fault": (
        "The log itself is damaged: its times or rows cannot all be right, so times and ramps may be false.",
        "Look at the sample intervals round the place; export the log again from the controller.",
    ),
}
CODES: tuple[str, ...] = tuple(MEANING)
