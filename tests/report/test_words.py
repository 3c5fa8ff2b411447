import datetime as dt

import pytest

from blankoff.report import words


@pytest.mark.parametrize(
    ("value", "text"),
    [(17546.3, "17\u202f500"), (480.0, "480"), (0.01234, "0.0123"), (-3.456, "−3.46"), (0.0, "0"), (None, "–"), (float("nan"), "–"), (999.9, "1\u202f000"), (1e-7, "0.0000001")],
)  # fmt: skip
def test_numbers_keep_three_figures(value, text):
    assert words.number(value) == text


def test_pressure_in_pascals_follows_the_definition_of_the_torr():
    """1 micron = 101 325 / 760 000 Pa, 10th CGPM and the definition of the torr [CALC]."""
    assert words.PressureWords("pa").text(760_000.0) == f"101\u202f000{words.NBSP}Pa"
    assert words.PressureWords("pa").text(500.0) == f"66.7{words.NBSP}Pa"
    assert words.PressureWords("micron").text(3e-7) == f"0{words.NBSP}microns"
    assert words.PressureWords("micron").rate(0.146) == f"0.15{words.NBSP}microns/min"
    assert words.PressureWords("micron").text(500.0) == f"500{words.NBSP}microns"


def test_dates_and_months_are_plain():
    assert words.day(dt.date(2026, 11, 3)) == "3\u00a0Nov\u00a02026"
    assert words.month_name("2026-01") == "January 2026"
    assert words.months_up_to("2026-02", 4) == ["2025-11", "2025-12", "2026-01", "2026-02"]


@pytest.mark.parametrize(
    ("m", "text"),
    [(12.0, "12\u00a0min"), (200.0, "3\u00a0h 20\u00a0min"), (120.0, "2\u00a0h"), (4.44, "4.4\u00a0min"), (None, "–")],
)
def test_minutes(m, text):
    assert words.minutes(m) == text


def test_nothing_is_ever_quite_certain():
    assert words.sure(1.0) == "over 99\u00a0%"
    assert words.sure(0.93) == "93\u00a0%"


def test_finding_sizes_follow_the_fleets_unit():
    row = {"effect": 150.0, "effect_lower": 100.0, "effect_upper": 200.0, "unit": "micron"}
    assert words.effect_size(row, words.PressureWords("pa")) == "20\u00a0Pa (13.3 to 26.7)"
    assert words.effect_size({**row, "unit": "evacuation"}, words.PressureWords("pa")) == "–"
    assert (
        words.in_fleet_units("stops at about 150 microns (100 to 200); not 3 micronsies", words.PressureWords("pa"))
        == "stops at about 20\u00a0Pa (13.3 to 26.7); not 3 micronsies"
    )
    assert words.effect_size(
        {**row, "effect": 0.28, "effect_lower": 0.2, "effect_upper": 0.36, "unit": "share of jobs"},
        words.PressureWords("pa"),
    ).startswith("28\u00a0%")


def test_sentences_of_the_tables_are_put_plainly():
    said = words.plain_sentence(
        "over the limit of 150 microns since about 2026-08-17, 19 % of it", words.PressureWords("pa")
    )
    assert said == "over the limit of 20\u00a0Pa since about 17\u00a0Aug\u00a02026, 19\u00a0% of it"


def test_every_code_of_the_contract_has_words():
    from blankoff import schemas

    assert set(words.KIND_WORDS) == set(schemas.FINDING_SUBJECTS)
    assert set(words.VERDICT_WORDS) == set(schemas.VERDICTS)
    assert set(words.REASON_WORDS) == {r for rs in schemas.REASONS.values() for r in rs}
    assert set(words.RISE_WORDS) == set(schemas.RISE_KINDS)
    assert set(words.PHASE_WORDS) == set(schemas.PHASE_KINDS)
    assert set(words.FAULT_WORDS) == set(schemas.FAULTS)
    assert set(words.MEASURE_WORDS) == set(schemas.MEASURES)
    assert set(words.ACTION_WORDS) == set(schemas.SERVICE_ACTIONS)


def test_a_pressure_with_more_to_say_follows_the_fleets_unit():
    row = {"effect": 64.3, "effect_lower": 58.6, "effect_upper": 70.1, "unit": "microns on the pumped floor"}
    assert words.effect_size(row, words.PressureWords("pa")) == "8.57\u00a0Pa on the pumped floor (7.81 to 9.35)"
    assert words.effect_size(row, words.PressureWords("micron")).startswith("64.3\u00a0microns on the pumped floor")


def test_a_gauges_error_is_said_as_high_or_low():
    from blankoff.findings import _off

    assert _off(0.68, 0.63, 0.74) == "32 % low (26 to 37 %)"
    assert _off(1.2, 1.1, 1.3) == "20 % high (10 to 30 %)"
    row = {"effect": 0.683, "effect_lower": 0.635, "effect_upper": 0.735, "unit": "reading over the fleet's"}
    assert words.effect_size(row, words.PressureWords("micron")) == "0.68 of the fleet's reading (0.64 to 0.73)"
