"""The sentences people read. What they must say is fixed outside this code: rounding by hand, SI notation (a unit stands
after a space; ISO 80000-1, 7.1.4), the finding codes and verdicts of the project's own contract (written out below), and the
domain rule that a temperature difference is a difference in kelvin and gets no offset."""

from __future__ import annotations

import re

import pytest

from analysis.quantities import QUANTITIES
from analysis.results import VERDICTS
from dashboard import words

# Written out, not imported: the codes every surface uses.
CODES = {
    *("stuck", "twin", "reversed", "open", "dropout", "spike", "heater_noise", "lifted", "cold_disagreement"),
    *("room_disagreement", "reference_shift", "wrong_scale", "swapped", "average_hides", "control_lifted", "log_fault"),
    *("heat_at_zero_command", "runaway"),
}


def summary(verdict: str, **more: object) -> dict[str, object]:
    return {
        "run": 7,
        "verdict": verdict,
        "reason": None,
        "limiting": {"metric": "peak_c", "channel": "left", "margin": 4.16, "unit": "°C"},
        "limits": [
            {
                "metric": "time_above_liquidus_s",
                "low": 40,
                "high": 90,
                "source": "sheet A",
                "revision": "2",
                "margin": 11.0,
            },
            {"metric": "peak_c", "low": 235, "high": 250, "source": "sheet A", "revision": "2", "margin": 4.16},
        ],
        "findings": [],
        **more,
    }


def test_meeting_names_metric_channel_margin_and_source() -> None:
    text = words.verdict_sentence(summary("meets"))
    assert text == (
        "Meets the window. Smallest margin: peak on left, 4.2 K inside (limit 235 to 250 °C; sheet A, revision 2)."
    )


def test_failing_says_by_how_much_outside() -> None:
    limiting = {"metric": "time_above_liquidus_s", "channel": "right", "margin": -12.04, "unit": "s"}
    limits = [
        {"metric": "time_above_liquidus_s", "low": 40, "high": 90, "source": "S", "revision": "", "margin": -12.04}
    ]
    text = words.verdict_sentence(summary("fails", limiting=limiting, limits=limits))
    assert text == "Fails the window: time above liquidus on right, 12.0 s outside (limit 40 to 90 s; S)."


def test_too_close_explains_itself() -> None:
    text = words.verdict_sentence(summary("too close to call"))
    assert text.startswith("Too close to call: peak on left, 4.2 K inside")
    assert text.endswith("The margin is smaller than the uncertainty of the measurement.")


@pytest.mark.parametrize("reason", ["no paste recorded, so no window to judge by", None])
def test_no_verdict_always_has_a_reason(reason: str | None) -> None:
    text = words.verdict_sentence(summary("not evaluated", reason=reason, limiting=None))
    assert text == f"Not evaluated: {reason or 'no reason was recorded'}."


def test_every_verdict_has_a_sentence_of_its_own() -> None:
    heads = {words.verdict_sentence(summary(verdict))[:12] for verdict in VERDICTS}
    assert len(heads) == 4


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [(1.25, 2, "1.25"), (-3.04, 1, "−3.0"), (-0.04, 1, "0.0"), (238.0, 0, "238"), (0.0, 1, "0.0")],
)
def test_numbers_have_a_true_minus_and_no_minus_zero(value: float, places: int, text: str) -> None:
    assert words.number(value, places) == text


def test_value_with_uncertainty_and_unit() -> None:
    assert words.quantity_text("peak_c", 238.24, 5.06, "°C") == "238.2 ± 5.1 °C"
    assert words.quantity_text("hold_duty", 0.4126, None, "1") == "41.3 %"
    assert (
        words.quantity_text("time_above_liquidus_s", 104.52, 10.84, "s") == "105 ± 11 s"
    )  # two figures, JCGM 100, 7.2.6
    assert words.quantity_text("peak_c", None, None, "°C") == ""


def test_a_margin_of_a_temperature_is_a_difference_in_kelvin() -> None:
    # 4 °C above a limit is 4 K, not 277.15: no offset.
    assert words.margin_text("peak_c", -4.0, "°C") == "4.0 K outside"
    assert words.margin_text("spread_at_peak_c", 2.5, "K") == "2.5 K inside"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (235, 250, "235 to 250 °C"),
        (None, 245.5, "at most 245.5 °C"),
        (217, None, "at least 217 °C"),
        (None, None, "no limit"),
    ],
)
def test_limits_as_people_say_them(low: float | None, high: float | None, text: str) -> None:
    assert words.limit_text("peak_c", low, high) == text


def test_definitions_carry_their_parameters() -> None:
    assert words.metric_text("soak_time_s", {"low_c": 150, "high_c": 200}) == "soak time (150 to 200 °C)"
    assert words.metric_text("ramp_up_max_c_per_s", {"window_s": 20}) == "steepest ramp up (over 20 s)"
    assert words.metric_text("ramp_up_mean_c_per_s", {"from_c": 217, "to_c": "peak"}) == "mean ramp up (217 °C to peak)"
    assert (
        words.metric_text("time_near_peak_s", {"reference": "peak", "below_k": 5})
        == "time near peak (within 5 K of the peak)"
    )
    assert words.metric_text("time_near_peak_s", {"reference": 260, "below_k": 5}).endswith("(within 5 K of 260 °C)")


def test_every_finding_code_has_a_name_and_a_definition() -> None:
    assert set(words.FINDING_NAMES) == CODES
    assert set(words.FINDING_DEFINITIONS) == CODES


def test_every_quantity_is_defined_for_hovering() -> None:
    assert set(QUANTITIES) <= set(words.DEFINITIONS)
    assert set(VERDICTS) <= set(words.DEFINITIONS)
    assert all(text.endswith(".") for text in words.DEFINITIONS.values())


def test_a_finding_says_state_and_evidence() -> None:
    finding = {"code": "stuck", "channel": "T2", "state": "fail", "evidence": "61.25 °C for 240 s", "danger": ""}
    assert words.finding_sentence(finding) == "Stuck channel on T2, fail: 61.25 °C for 240 s."


def test_stop_lines_come_once_and_only_for_danger() -> None:
    dangerous = {"code": "heat_at_zero_command", "channel": None, "state": "fail", "danger": words.STOP_HEATER}
    harmless = {"code": "spike", "channel": "T1", "state": "suspect", "danger": ""}
    assert words.stop_lines([harmless, dangerous, dangerous]) == [
        "STOP. Heat with command at zero: switch off at the wall now."
    ]


def test_import_lines_count_and_name_runs() -> None:
    stored = {"file": "a.csv", "status": "stored", "runs": [{"run": 3}, {"run": 4}]}
    assert words.import_sentence(stored) == "a.csv: stored as runs 3 and 4."
    assert words.import_sentence({**stored, "status": "duplicate", "runs": [{"run": 3}]}) == (
        "a.csv: already in the archive as run 3; nothing was stored."
    )
    rejected = {"file": "b.csv", "status": "rejected", "reason": "no time column", "runs": []}
    assert words.import_sentence(rejected) == "b.csv: rejected: no time column."
    assert words.import_counts({"stored": 2}) == "2 stored, 0 held, 0 duplicate, 0 rejected"


def test_the_answer_command_can_be_pasted_into_a_shell() -> None:
    line = words.answer_command(7, [{"id": "unit", "guess": "°F"}, {"id": "role:T 1", "guess": None}])
    assert line == "ovenbook answer 7 'unit=°F' 'role:T 1=YOUR_ANSWER'"


def test_lists_read_like_language() -> None:
    assert words.listed([]) == ""
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"


def test_cautions_cover_the_usual_ones_and_defer() -> None:
    # The list of the trade brief: mains, cut-out, sensors, unattended heat, fume, lead, food.
    text = words.cautions_text().lower()
    for subject in (
        "mains",
        "cut-out",
        "sensor",
        "unattended",
        "fume",
        "lead",
        "food",
        "extinguisher",
        "not a safety device",
    ):
        assert subject in text
    assert "local codes" in text
    assert "licensed" in text


def test_no_word_the_trade_does_not_use() -> None:
    everything = " ".join(
        [
            words.cautions_text(),
            *words.DEFINITIONS.values(),
            *words.FINDING_DEFINITIONS.values(),
            *words.VERDICT_WORDS.values(),
        ]
    ).lower()
    for banned in (r"\bai\b", "smart", "intelligent", "guarantee", "certified", "zero defects", "score", "badge"):
        assert not re.search(banned, everything), banned


def test_margins_in_tables_are_signed() -> None:
    assert words.short_margin("peak_c", 7.04, "°C") == "+7.0 K peak"
    assert words.short_margin("time_above_liquidus_s", -12.0, "s") == "−12.0 s TAL"


def test_long_paths_keep_the_name() -> None:
    assert words.short_path("logs/bake.csv") == "logs/bake.csv"
    assert words.short_path("/a/very/long/way/to/the/folder/logs/bake.csv", 25) == "…/folder/logs/bake.csv"
    assert words.short_path("x/" + "n" * 60 + ".csv", 25) == "…/" + "n" * 60 + ".csv"


def test_run_numbers_are_drawn_together() -> None:
    assert words.ranges([9, 2, 3, 4]) == "2-4,9"
    assert words.ranges([5]) == "5"


def test_a_board_that_never_melted_is_told_so_first() -> None:
    above = {"metric": "time_above_liquidus_s", "channel": "a", "status": "not reached"}
    summary = {
        "verdict": "fails",
        "limiting": {"metric": "peak_c", "channel": "a", "margin": -55.0, "unit": "°C"},
        "metrics": [above, {**above, "channel": "b"}],
        "limits": [],
        "findings": [],
    }
    assert words.verdict_sentence(summary).startswith(
        "Fails the window: the solder did not melt; peak on a, 55.0 K outside"
    )
    assert "did not melt" in words.check_first(summary)
    one_melted = {**summary, "metrics": [above, {**above, "channel": "b", "status": "ok"}]}
    assert "melt" not in words.verdict_sentence(one_melted)
    assert "the tip of a" in words.check_first(one_melted)
