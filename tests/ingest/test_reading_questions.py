"""Answers, remembered layouts, and what is handed over with a question."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
from generator_logs import T05, T1, asked, numbers, one_run, only, rows, same, stamps, table, two_channels

from ingest.recording import LayoutFound

C = two_channels(T1)
DAY = datetime(2025, 4, 3, 9, 14, 3)


def dated(day: datetime = DAY, header: str = "Stamp,T1,T2", channels: list[np.ndarray] = C) -> bytes:
    return table(header, stamps(T1, "%d/%m/%Y %H:%M:%S", day), *[numbers(c) for c in channels])


def answered(data: bytes, answers: dict[str, str]) -> LayoutFound:
    reading = only(data, answers=answers)
    assert reading.status == "read"
    assert reading.layout is not None
    return reading.layout


def test_a_held_log_shows_its_first_lines_a_guess_and_the_layout() -> None:
    reading = asked(dated(), "date_order")
    assert reading.head[0] == "Stamp,T1,T2"
    assert len(reading.head) > 3
    assert reading.layout is not None
    question = reading.questions[0]
    assert question.guess in question.choices
    assert question.text.endswith("?")


def test_decisions_can_be_stored_as_json() -> None:
    layout = answered(dated(), {"date_order": "day first"})
    assert json.loads(json.dumps(layout.decisions)) == layout.decisions
    assert layout.decisions["answers"] == {"date_order": "day first"}


def test_the_next_log_of_the_layout_needs_no_question() -> None:
    layout = answered(dated(), {"date_order": "day first"})
    run = one_run(dated(datetime(2025, 6, 5, 8, 0)), layouts=[layout])
    assert run.started_at == datetime(2025, 6, 5, 8, 0, tzinfo=UTC)


def test_an_answer_for_this_log_wins_over_the_remembered_one() -> None:
    layout = answered(dated(), {"date_order": "day first"})
    run = one_run(dated(), layouts=[layout], answers={"date_order": "month first"})
    assert run.started_at == datetime(2025, 3, 4, 9, 14, 3, tzinfo=UTC)


def test_a_layout_that_only_looks_alike_is_not_swallowed() -> None:
    layout = answered(dated(), {"date_order": "day first"})
    for other in (
        dated(header="Stamp,T1,T3"),
        dated(header="Stamp,T1,T2 (°C)"),
        table("Stamp;T1;T2", stamps(T1, "%d/%m/%Y %H:%M:%S", DAY), *[numbers(c) for c in C], delimiter=";"),
        table("Stamp,T1,T2,T3", stamps(T1, "%d/%m/%Y %H:%M:%S", DAY), *[numbers(c) for c in (*C, C[0] - 3)]),
    ):
        asked(other, "date_order", layouts=[layout])


def test_a_remembered_unit_is_not_believed_against_the_values() -> None:
    header = "time_s,T1 (°C),T2 (°C)"
    fahrenheit = [c * 1.8 + 32 for c in C]
    layout = answered(table(header, numbers(T1), *[numbers(f) for f in fahrenheit]), {"unit": "°F"})
    same(one_run(table(header, numbers(T1), *[numbers(f) for f in fahrenheit]), layouts=[layout]), T1, C, 0.028)
    # The controller was changed to °C: header and values agree, so the old answer is not applied.
    same(one_run(table(header, numbers(T1), *[numbers(c) for c in C]), layouts=[layout]), T1, C)


def test_a_remembered_interval_serves_the_next_log() -> None:
    def counted() -> bytes:
        return table("Sample,TC1", [str(k) for k in range(len(T05))], numbers(two_channels(T05)[0]))

    layout = answered(counted(), {"interval_s": "0.5"})
    same(one_run(counted(), layouts=[layout]), T05, [two_channels(T05)[0]])


def test_fingerprints_do_not_depend_on_values_and_length() -> None:
    first = answered(dated(), {"date_order": "day first"})
    second = only(dated(datetime(2025, 7, 8, 9, 0), channels=two_channels(T1, 239.0, 21.0, seed=9))).layout
    assert second is not None
    assert first.fingerprint == second.fingerprint


def test_an_answer_nobody_understands_is_asked_again() -> None:
    for question, data, answer in (
        ("date_order", dated(), "perhaps"),
        ("unit", table("time_s,T1,T2", numbers(T1), *[numbers(c * 0.0405, 3) for c in C]), "bananas"),
        ("interval_s", table("Sample,TC1", [str(k) for k in range(401)], numbers(C[0])), "soon"),
        ("time_unit", rows([[str(k) for k in range(401)], numbers(C[0]), numbers(C[1])]).encode(), "blue"),
    ):
        asked(data, question, answers={question: answer})


def test_reading_twice_gives_the_same() -> None:
    data = dated()
    a, b = only(data, answers={"date_order": "day first"}), only(data, answers={"date_order": "day first"})
    assert repr(a) == repr(b)


def test_several_questions_come_at_once() -> None:
    data = table("Stamp,T1 (°C),T2 (°C)", stamps(T1, "%d/%m/%Y %H:%M:%S", DAY), *[numbers(c * 1.8 + 32) for c in C])
    reading = only(data)
    assert {q.id for q in reading.questions} == {"date_order", "unit"}
