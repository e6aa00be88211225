"""Roles and units of columns.

Conversions by their exact definitions: t/°F = 1.8 t/°C + 32, T/K = t/°C + 273.15 (BIPM, SI brochure).

Names of columns: everyday and trade words of each language, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from generator_logs import T05, T1, asked, codes, numbers, one_run, only, rows, same, setpoint, table, two_channels

C = two_channels(T1)
F = [c * 1.8 + 32 for c in C]
TIME = numbers(T1)


def pair(header: str, values: list[np.ndarray], decimals: int = 1, lead: str = "") -> bytes:
    return lead.encode() + table(header, TIME, *[numbers(v, decimals) for v in values])


READ = {
    "°F without a label": ("time_s,T1,T2", F, 1, 0.028),
    "°F as whole numbers without a label": ("time_s,T1,T2", F, 0, 0.279),
    "K without a label": ("time_s,T1,T2", [c + 273.15 for c in C], 2, 0.0051),
    "tenths as whole numbers": ("time_s,T1,T2", [c * 10 for c in C], 0, 0.0501),
    "hundredths as whole numbers": ("time_s,T1,T2", [c * 100 for c in C], 0, 0.0051),
    "quarters as whole numbers": ("time_s,T1,T2", [c * 4 for c in C], 0, 0.1251),
    "labelled tenths": ("time_s,T1 (0.1 °C),T2 (°C x10)", [c * 10 for c in C], 0, 0.0501),
    "one channel °C, one °F": ("time_s,Board (C),Air (F)", [C[0], F[1]], 2, 0.0051),
    "a mangled degree sign": ("time_s,T1 [Â°C],T2 [\ufffdC]", C, 2, 0.0051),
    "numeric channel names": ("time_s,1,2", C, 2, 0.0051),
    "names of places": ("time_s,BGA corner,U3", C, 2, 0.0051),
    "letters that are units elsewhere": ("time_s,A,V", C, 2, 0.0051),
}


@pytest.mark.parametrize("name", READ)
def test_units(name: str) -> None:
    header, values, decimals, tolerance = READ[name]
    same(one_run(pair(header, values, decimals)), T1, C, tolerance)


def test_a_unit_row_and_a_preamble_unit_count() -> None:
    same(one_run(pair("Time,T1,T2\n[s],[°F],[°F]", F)), T1, C, 0.028)
    same(one_run(pair("time_s,T1,T2", F, lead="Unit: °F\n")), T1, C, 0.028)


def test_units_in_every_cell() -> None:
    data = table(
        "time,T1,T2", [f"{x} s" for x in TIME], [f"{x} °F" for x in numbers(F[0])], [f"{x}F" for x in numbers(F[1])]
    )
    run = one_run(data)
    same(run, T1, C, 0.028)
    assert {c.unit_original for c in run.channels} == {"°F"}


def test_inferred_units_are_said() -> None:
    assert "unit_inferred" in codes(only(pair("time_s,T1,T2", F)))


ASKED = {
    "°C written, °F by the values": pair("time_s,T1 (°C),T2 (°C)", F),
    "°F written, °C by the values": pair("time_s,T1 (°F),T2 (°F)", C),
    "K written, °C by the values": pair("time_s,T1 (K),T2 (K)", C),
    "°F in the preamble, °C by the values": pair("time_s,T1,T2", C, lead="Unit: F\n"),
    "millivolts of a type K": pair("time_s,T1,T2", [c * 0.0405 for c in C], 3),
    "labelled millivolts": pair("time_s,TC1 (mV),TC2 (mV)", [c * 0.0405 for c in C], 3),
    "raw counts": pair("time_s,adc1,adc2", [c * 2.9 + 50 for c in C], 0),
    "counts that could be quarter degrees": pair("time_s,A0,A1", [c * 4 for c in C], 0),
    "sixteenths": pair("time_s,T1,T2", [c * 16 for c in C], 0),
}


@pytest.mark.parametrize("name", ASKED)
def test_what_physics_leaves_open_is_asked(name: str) -> None:
    asked(ASKED[name], "unit")


def test_the_answer_gives_the_unit() -> None:
    same(one_run(ASKED["°C written, °F by the values"], answers={"unit": "°F"}), T1, C, 0.028)
    same(one_run(ASKED["sixteenths"], answers={"unit": "0.0625 °C"}), T1, C, 0.0313)
    same(one_run(ASKED["counts that could be quarter degrees"], answers={"unit": "0.25 °C"}), T1, C, 0.126)


def test_one_channel_in_another_unit_without_labels_is_asked() -> None:
    data = pair("time_s,T1,T2", [C[0], F[1]])
    asked(data, "unit:T1")
    same(one_run(data, answers={"unit:T1": "°C"}), T1, C)


SP, DUTY, COLD = numbers(setpoint(T1)), numbers(50 + 50 * np.sin(T1 / 9), 0), numbers(26 + T1 * 0.01, 2)
MEAN = numbers((C[0] + C[1]) / 2, 2)
LANGUAGES = {
    "en": "Time (s),Left,Right,Setpoint,Heater %,Cold Junction,Average",
    "de": "Laufzeit/s,Isttemperatur links,Isttemperatur rechts,Solltemperatur,Stellgröße/%,Vergleichsstelle,Mittelwert",
    "fr": "Temps (s),Sonde 1,Sonde 2,Température de consigne,Puissance (%),Soudure froide,Moyenne",
    "es": "Tiempo (s),Termopar 1,Termopar 2,Temperatura deseada,Salida (%),Unión fría,Promedio",
    "it": "Tempo (s),Termocoppia 1,Termocoppia 2,Temperatura impostata,Uscita %,Giunto freddo,Media",
    "pt": "Tempo (s),Sonda 1,Sonda 2,Temperatura alvo,Potência (%),Junta fria,Média",
    "nl": "Tijd (s),Gemeten temperatuur 1,Gemeten temperatuur 2,Gewenste temperatuur,Vermogen (%),Koude las,Gemiddelde",
    "pl": "Czas (s),Czujnik 1,Czujnik 2,Temperatura zadana,Moc (%),Zimne złącze,Średnia",
    "sv": "Tid (s),Ärvärde 1,Ärvärde 2,Börvärde,Effekt (%),Kalla lödstället,Medelvärde",
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_roles_by_name(language: str) -> None:
    data = table(LANGUAGES[language], TIME, numbers(C[0], 2), numbers(C[1], 2), SP, DUTY, COLD, MEAN)
    run = one_run(data)
    roles = [(c.role, c.judged) for c in run.channels]
    assert roles == [
        ("temperature", True),
        ("temperature", True),
        ("setpoint", False),
        ("duty", True),
        ("reference_junction", False),
        ("temperature", False),
    ]
    same(run, T1, C, 0.0051)


def test_an_average_is_known_by_its_values() -> None:
    a, b = np.round(C[0], 2), np.round(C[1] - 7, 2)
    run = one_run(table("time_s,T1,T2,T3", TIME, numbers(a, 2), numbers(b, 2), numbers((a + b) / 2, 2)))
    assert [c.judged for c in run.channels] == [True, True, False]


def test_the_same_sensor_in_two_units_is_one_channel() -> None:
    run = one_run(table("time_s,T1 C,T1 F", TIME, numbers(C[0]), numbers(F[0])))
    assert [c.role for c in run.channels] == ["temperature", "other"]


@pytest.mark.parametrize(("scale", "name"), [(1.0, "Out"), (100.0, "Power"), (255.0, "PWM")])
def test_duty_becomes_a_fraction(scale: float, name: str) -> None:
    duty = 0.5 + 0.5 * np.sin(T1 / 9)
    duty[10] = 1.0
    run = one_run(table(f"time_s,T1,{name}", TIME, numbers(C[0]), numbers(duty * scale, 4)))
    channel = run.of_role("duty")[0]
    np.testing.assert_allclose(channel.values, duty, atol=1e-4)


def test_switch_words_are_duty_and_phases_are_states() -> None:
    relay = ["ON" if x % 7 < 3 else "OFF" for x in T1]
    phase = ["preheat" if x < 90 else "soak" if x < 180 else "reflow" for x in T1]
    run = one_run(table("time_s,T1,Relay,Phase,Door", TIME, numbers(C[0]), relay, phase, ["OPEN"] * 401))
    by_name = {c.name: c for c in run.channels}
    assert by_name["Relay"].role == "duty"
    assert set(by_name["Relay"].values.tolist()) == {0.0, 1.0}
    assert by_name["Phase"].labels == ("preheat", "soak", "reflow")
    assert by_name["Door"].role == "state"
    assert not by_name["Door"].faults


def test_power_in_watts_is_kept_as_a_number() -> None:
    run = one_run(table("time_s,T1,Power (W)", TIME, numbers(C[0]), numbers(700 + 700 * np.sin(T1 / 9), 0)))
    assert [(c.role, c.unit_original) for c in run.channels] == [("temperature", "°C"), ("other", "W")]


def test_room_and_mains_are_no_oven_temperatures() -> None:
    run = one_run(
        table("time_s,T1,Ambient,Mains V,Humidity %", TIME, numbers(C[0]), ["22.5"] * 401, ["230"] * 401, ["45"] * 401)
    )
    assert [c.role for c in run.channels] == ["temperature", "other", "other", "other"]


def test_a_nameless_set_point_is_asked() -> None:
    t = T05
    rng = np.random.default_rng(3)
    measured = setpoint(t - 6) + rng.normal(0, 0.2, len(t))
    reading = asked(rows([numbers(t), numbers(setpoint(t)), numbers(measured)]), "role:column 2")
    assert reading.questions[0].guess == "setpoint"
    run = one_run(rows([numbers(t), numbers(setpoint(t)), numbers(measured)]), answers={"role:column 2": "setpoint"})
    assert [c.role for c in run.channels] == ["setpoint", "temperature"]


def test_a_temperature_name_that_behaves_like_a_set_point_is_asked() -> None:
    steps = np.select([T1 < 90, T1 < 200, T1 < 260], [150.0, 180.0, 245.0], 25.0)
    asked(table("time_s,Temp A,Temp B", TIME, numbers(C[0], 2), numbers(steps)), "role:Temp B")


def test_a_temperature_column_of_words_is_not_lost_in_silence() -> None:
    ruined = [f"{int(x) % 28 + 1}. Mrz" for x in T1]  # what spreadsheets make of 12.3
    asked(table("Zeit;T1;T2", TIME, numbers(C[0]), ruined, delimiter=";"), "role:T2")


def test_header_with_too_many_names_is_asked() -> None:
    data = table("t_s,T1,T2,T3", TIME, *[numbers(c) for c in C])
    asked(data, "columns")
    run = one_run(data, answers={"columns": "t_s,left,right"})
    assert [c.name for c in run.channels] == ["left", "right"]
