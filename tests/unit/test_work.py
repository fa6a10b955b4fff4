import argparse
import io
import json
import sys
from decimal import Decimal as D

import pytest

from assistant import work
from assistant.files import jsonline

CONTRACT = ('{"chamber_ratio": 0.06, "aggregate_correction_pct": 0.3, '
            '"charge_psi": [[14.5, 30, 45], [14.5, 30, 45]], '
            '"equilibrium_psi": [[7.25, 18.63, 31.81], [7.32, 18.77, 32.01]]}')
LIMITS = '"limits": {"air_content": [4.5, 7.5], "system_air_metric": [null, 0.20]}'
LEAK = '{"initial_psi": 45.20, "final_psi": 45.12}'


def command(monkeypatch, capsys, text: str | bytes, *arguments: str) -> tuple[int, str, str]:
    """Through the real parser and the real standard streams."""
    parser = argparse.ArgumentParser()
    work.add_arguments(parser)
    raw = text if isinstance(text, bytes) else text.encode()
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(raw)))
    code = work.run_command(parser.parse_args(list(arguments)))
    out, err = capsys.readouterr()
    return code, out, err


def test_the_contracts_example(monkeypatch, capsys) -> None:
    code, out, err = command(monkeypatch, capsys, CONTRACT, "sequential", "--json")
    assert code == 0 and err == "" and out.count("\n") == 1
    assert '"value": 0.20, "unit": "psi", "rounded": 0.20' in out  # the digits, not only the number
    found = json.loads(out, parse_float=D)
    assert list(found) == ["results", "warnings", "verdict", "why", "uncertainty"]
    assert [(one["name"], one["value"]) for one in found["uncertainty"]] == [("gauge", D("0.01")), ("repeat", D("0.08"))]
    air, metric = found["results"]
    assert list(air) == ["name", "value", "unit", "rounded", "standing"]
    assert (air["name"], air["value"], air["rounded"]) == ("air_content", D("5.70"), D("5.7"))
    assert (metric["name"], metric["value"]) == ("system_air_metric", D("0.20"))
    assert (found["verdict"], found["warnings"]) == ("none", [])


@pytest.mark.parametrize("last, code, verdict", [("32.01", 0, "pass"), ("32.02", 1, "fail"),
("31.80", 1, "invalid")])
def test_exit_codes(last: str, code: int, verdict: str) -> None:
    found, exit_code = work.run("sequential", CONTRACT.replace("32.01", last)[:-1] + "," + LIMITS + "}")
    assert (exit_code, found["verdict"]) == (code, verdict)
    if verdict == "invalid":
        assert '"value": null' in jsonline.dumps(found["results"][1])


def test_rounding_decides_at_a_half() -> None:
    text = CONTRACT.replace("32.01", "32.015")[:-1] + "," + LIMITS + ', "rounding": "%s"}'
    assert [work.run("sequential", text % rule)[1] for rule in ("half-even", "half-up")] == [0, 1]


def test_what_was_assumed_is_said() -> None:
    bare = json.dumps({key: value for key, value in json.loads(CONTRACT).items() if key.endswith("_psi")})
    warnings = work.run("sequential", bare)[0]["warnings"]
    for words in ("no aggregate correction was given", "the chamber ratio is not calibrated"):
        assert any(warning.startswith(words) for warning in warnings)


def test_leak(monkeypatch, capsys) -> None:
    assert command(monkeypatch, capsys, LEAK, "leak", "--json")[0] == 0
    assert work.run("leak", '{"initial_psi": 45.20, "final_psi": 45.07}')[1] == 1
    assert work.run("leak", LEAK[:-1] + ', "hold_s": 200}')[0]["verdict"] == "invalid"
    assert work.run("leak", LEAK[:-1] + ', "limits": {"leak_drop": [null, 0.05]}}')[0]["verdict"] == "fail"


def test_for_a_person(monkeypatch, capsys) -> None:
    code, out, _ = command(monkeypatch, capsys, CONTRACT, "sequential")
    assert code == 0 and "system air metric: 0.20 psi" in out and "verdict: none" in out


def broken(**change) -> str:
    """The contract's example with keys changed (raw JSON text) or, with None, taken out."""
    parts = {key: json.dumps(value) for key, value in json.loads(CONTRACT).items()} | change
    return "{" + ", ".join(f'"{key}": {raw}' for key, raw in parts.items() if raw is not None) + "}"


EQUILIBRIUM = "[[%s, 18.63, 31.81], [7.32, 18.77, 32.01]]"


@pytest.mark.parametrize("test, text, words", [
    ("slump-flow", CONTRACT, "the tests are aggregate-correction, calibration,"), ("", "{}", "the tests are"),
    ("sequential", "", "empty"), ("sequential", " \n", "empty"), ("sequential", "seven", "no JSON"),
    ("sequential", "{", "no JSON"), ("sequential", "[" * 90_000, "nested too deep"),
    ("sequential", " " * 100_001, "characters long"), ("sequential", "[]", "one JSON object"),
    ("sequential", "7.25", "one JSON object"), ("sequential", CONTRACT + CONTRACT, "no JSON"),
    ("sequential", "{}", "charge_psi is missing"),
    ("sequential", broken(equilibrium_psi=None), "equilibrium_psi is missing"),
    ("sequential", broken(charge_psi="[14.5, 30, 45]"), "charge_psi must be two runs"),
    ("sequential", broken(charge_psi="[[14.5, 30], [14.5, 30]]"), "charge_psi must be two runs"),
    ("sequential", broken(charge_psi="[[14.5, 30, 45], [14.5, 30, 45], []]"), "charge_psi must be two runs"),
    ("sequential", broken(charge_psi="[[14.5, 30, 45], null]"), "charge_psi must be two runs"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % '"7.25"'), "equilibrium_psi, run 1 step 1"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "null"), "must be a number"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "true"), "must be a number"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "[7.25]"), "must be a number"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "-7.25"), "must not be negative"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "NaN"), "no usable number"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "Infinity"), "no usable number"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "1e999999"), "below 1000000"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "1e-999999"), "at most 12 decimals"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % "1e99999999999999999999"), "no usable number"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % ("7." + "1" * 5000)), "at most 12 decimals"),
    ("sequential", broken(equilibrium_psi=EQUILIBRIUM % ("9" * 50_000)), "below 1000000"),
    ("sequential", broken(chamber_ratio="0"), "chamber_ratio is 0"),
    ("sequential", broken(chamber_ratio='"0.06"'), "number"),
    ("sequential", broken(aggregate_correction_pct="-0.3"), "must not be negative"),
    ("sequential", broken(clamps="6"), "is not known here"),
    ("sequential", broken(rounding='"up"'), "half-even or half-up"),
    ("sequential", broken(rounding="null"), "half-even or half-up"),
    ("sequential", broken(limits="[]"), "limits is []"),
    ("sequential", broken(limits='{"leak_drop": [null, 1]}'), "this test gives air_content and"),
    ("sequential", broken(limits='{"air_content": [7.5, 4.5]}'), "the lowest comes first"),
    ("sequential", broken(limits='{"air_content": [4.5]}'), "lowest and the highest"),
    ("sequential", broken(limits='{"air_content": ["4.5", 7.5]}'), "must be a number"),
    ("sequential", CONTRACT[:-1] + ', "chamber_ratio": 0.07}', "given twice"),
    ("leak", '{"initial_psi": 45.2}', "final_psi is missing"),
    ("leak", LEAK[:-1] + ', "hold_s": -1}', "negative"),
    ("sequential", b"\xff\xfe{}", "UTF-8"),
])
def test_wrong_use_is_one_sentence_on_stderr(monkeypatch, capsys, test, text, words) -> None:
    code, out, err = command(monkeypatch, capsys, text, test, "--json")
    assert code == 2 and out == ""
    assert words in err and err.startswith("bowlside work: ") and err.count("\n") == 1 and len(err) < 300


def test_json_lines_keep_every_digit() -> None:
    line = jsonline.dumps({"a": D("0.20"), "b": [D("1E+2"), None, True, 3, "say \"é\"\n"], "c": (D("1E-7"),),
                           "d": 0.5})
    assert line == '{"a": 0.20, "b": [100, null, true, 3, "say \\"é\\"\\n"], "c": [0.0000001], "d": 0.5}'
    for bad in (D("NaN"), D("Infinity"), float("nan")):
        with pytest.raises(ValueError):
            jsonline.dumps([bad])


@pytest.mark.parametrize("text", ["NaN", "[-Infinity]", "1e99999999999999999999", "[" * 90_000, '{"a": 1, "a": 2}',
                                  "", "{"])
def test_json_that_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        jsonline.loads(text)


def test_json_is_read_exactly() -> None:
    assert jsonline.dumps(jsonline.loads('{"a": [0.20, 14.50, 45, -0.0]}')) == '{"a": [0.20, 14.50, 45, -0.0]}'


# --- the other tests --------------------------------------------------------------------------------------------------

GOOD = {
    "density": '{"gross_lb": 54.1, "tare_lb": 18.6, "volume_ft3": 0.250}',
    "slump": '{"slump_in": 4.25}', "temperature": '{"temperature_f": 72}',
    "pressure-air": '{"reading_pct": 6.8, "aggregate_correction_pct": 0.4}',
    "volumetric-air": '{"levels_pct": [5.25, 5.25], "alcohol_pt": 2}',
    "aggregate-correction": '{"reading_pct": 5.3, "withdrawn_pct": 5.0}',
    "calibration": '{"bowl_volume_ft3": 0.246, "reading_pct": 5.1}',
    "gauge-check": '{"gauge_psi": [14.52, 30.01], "reference_psi": [14.50, 30.00]}',
    "cylinders": '{"diameter_in": 6, "height_in": 12, "density_lb_ft3": 145}',
    "initial-cure": '{"highest_f": 78, "lowest_f": 63, "hours": 24, "strength_psi": 4000}',
}


def test_every_work_has_a_procedure_and_a_good_example() -> None:
    from assistant.procedures import names
    assert set(GOOD) | {"sequential", "leak"} == set(work.TESTS)
    assert set(names()) - set(work.TESTS) == {"sampling", "delivery", "pick-up", "ambient"}  # no number of the concrete comes of them


@pytest.mark.parametrize("test", GOOD)
def test_each_gives_one_line_of_the_contract(monkeypatch, capsys, test: str) -> None:
    code, out, err = command(monkeypatch, capsys, GOOD[test], test, "--json")
    found = json.loads(out, parse_float=D)
    assert code == 0 and err == "" and out.count("\n") == 1 and list(found) == ["results", "warnings", "verdict", "why"]
    for one in found["results"]:
        assert list(one) == ["name", "value", "unit", "rounded", "standing"] and one["rounded"] is not None
        assert ": " in one["standing"]


def test_the_densities_of_the_contract() -> None:
    text = ('{"gross_lb": 54.66, "tare_lb": 18.60, "volume_ft3": 0.2494, "batch_mass_lb": 3978, "design_yield_yd3": 1.00, '
            '"air_free_volume_ft3": 26.2, "cementitious_lb": 602}')
    results = work.run("density", text)[0]["results"]
    assert [(one["name"], one["unit"], str(one["rounded"])) for one in results] == [
        ("density", "lb/ft3", "144.6"), ("yield", "yd3", "1.02"), ("relative_yield", "", "1.02"),
        ("theoretical_density", "lb/ft3", "151.8"), ("gravimetric_air", "%", "4.8"), ("cement_content", "lb/yd3", "591")]
    si = work.run("density", '{"gross_kg": 20.310, "tare_kg": 4.020, "volume_m3": 0.007079, "batch_mass_kg": 2360}')[0]["results"]
    assert [(one["name"], one["unit"], str(one["rounded"])) for one in si] == [
        ("density", "kg/m3", "2301"), ("yield", "m3", "1.03")]


def test_readings_are_subtracted_exactly() -> None:
    found = work.run("density", '{"gross_lb": 0.3, "tare_lb": 0.1, "volume_ft3": 1}')[0]["results"][0]
    assert found["value"] == D("0.2")  # 0.3 - 0.1 in floats is 0.19999999999999998


def test_both_systems_are_shown_to_a_person(monkeypatch, capsys) -> None:
    half = '{"temperature_c": 22.5, "rounding": "%s"}'  # 72.5 F exactly
    for test, text, shown in (("temperature", half % "half-up", "(73 \u00b0F)"),
                              ("temperature", half % "half-even", "(72 \u00b0F)"),
                              ("density", GOOD["density"], "142.0 lb/ft3 (2275 kg/m3)"),
                              ("slump", GOOD["slump"], "4.25 in. (110 mm)"),
                              ("temperature", '{"temperature_c": 22.5}', "22.5 \u00b0C (72 \u00b0F)"),
                              ("pressure-air", GOOD["pressure-air"], "air content: 6.4 %\n")):
        assert shown in command(monkeypatch, capsys, text, test)[1]


@pytest.mark.parametrize("test, text, verdict, words", [
    ("density", '{"gross_lb": 18.6, "tare_lb": 54.1, "volume_ft3": 0.250}', "invalid", "swapped"),
    ("density", '{"gross_lb": 91.1, "tare_lb": 18.6, "volume_ft3": 0.250}', "invalid", "290.0 lb/ft3"),
    ("density", '{"gross_lb": 54.1, "tare_lb": 18.6, "volume_ft3": 0}', "invalid", "above zero"),
    ("slump", '{"slump_in": 4, "sheared": true}', "invalid", "another portion"),
    ("slump", '{"slump_in": 4.25, "limits": {"slump": [null, 4]}, "rounding": "half-up"}', "pass", "4.25 in."),
    ("slump", '{"slump_in": 4.25, "limits": {"slump": [null, 4.0]}, "rounding": "half-up"}', "fail", "over 4.0"),
    ("temperature", '{"temperature_c": 72}', "invalid", "Fahrenheit"),
    ("pressure-air", '{"reading_pct": 4.0, "aggregate_correction_pct": 0.3, "limits": {"air_content": [4.0, 6.0]}}', "fail",
     "under 4.0 by 0.3"),
    ("pressure-air", '{"reading_pct": 6.4, "after_release_pct": 0.2, "aggregate_correction_pct": 0.3}', "none", "no limits"),
    ("aggregate-correction", '{"reading_pct": 4.9, "withdrawn_pct": 5.0}', "invalid", "negative"),
    ("calibration", '{"bowl_volume_ft3": 0.246, "canisters": 2, "reading_pct": 10.2}', "pass", "10.15"),
    ("calibration", '{"known_air_pct": 5.00, "charge_psi": [14.50], "equilibrium_psi": [14.50]}', "invalid", "between zero"),
    ("gauge-check", '{"gauge_psi": [14.60], "reference_psi": [14.50]}', "fail", "do not test with it"),
    ("initial-cure", '{"highest_c": 28, "lowest_c": 17, "hours": 24, "strength_psi": 4000}', "fail", "over 27"),
])
def test_verdicts_and_their_reasons(test: str, text: str, verdict: str, words: str) -> None:
    found, code = work.run(test, text)
    assert found["verdict"] == verdict and words in found["why"] and code == (verdict in ("fail", "invalid"))


@pytest.mark.parametrize("test, text, words", [
    ("density", '{"gross_lb": 54.1, "tare_kg": 18.6, "volume_ft3": 0.25}', "two systems of units"),
    ("density", '{"gross_lb": 54.1, "tare_lb": 18.6, "volume_ft3": 0.25, "batch_mass_kg": 3}', "two systems of units"),
    ("density", '{"gross_kg": 20, "tare_kg": 4}', "volume_m3 is missing"),
    ("density", '{"gross_lb": "54.1", "tare_lb": 18.6, "volume_ft3": 0.25}', "must be a number"),
    ("density", '{"gross_lb": 54.1, "tare_lb": 18.6, "volume_ft3": 0.25, "batch_mass_lb": 0}', "batch_mass_lb is 0"),
    ("slump", '{"slump_in": -1}', "must not be negative"), ("slump", '{"slump_in": 4, "sheared": "no"}', "true or false"),
    ("slump", '{"slump_in": 4, "slump_mm": 100}', "two systems"), ("slump", "{}", "slump_in is missing"),
    ("slump", '{"slump_in": 4, "limits": {"density": [1, 2]}}', "this test gives slump"),
    ("temperature", '{"temperature": 72}', '"temperature" is not known here: the keys are temperature_f'),
    ("leak", '{"initial_kpa": 311, "final_kpa": 310}', '"initial_kpa" is not known here: the keys are initial_psi'),
    ("calibration", '{"bowl_volume_ft3": 0.25, "reading_pct": [5.0, 5.10]}', "reading_pct is [5.0, 5.10]: it must be a number"),
    ("aggregate-correction", "{}", "reading_pct is missing"),
    ("aggregate-correction", '{"bowl_volume_ft3": 1}', "batch_volume_ft3"),
    ("calibration", '{"reading_pct": 5}', "bowl_volume_ft3 is missing"),
    ("calibration", '{"known_air_pct": 5, "charge_psi": [14.5, 14.5], "equilibrium_psi": [7.9]}', "as many readings"),
    ("calibration", '{"known_air_pct": 5, "charge_psi": 14.5, "equilibrium_psi": [7.9]}', "charge_psi must be a list"),
    ("calibration", '{"bowl_volume_ft3": 0.25, "canisters": 4, "reading_pct": 5}', "canisters must be 1, 2 or 3"),
    ("calibration", '{"bowl_volume_ft3": 0.25, "canisters": 0, "reading_pct": 5}', "canisters must be 1, 2 or 3"),
    ("calibration", '{"known_air_pct": 0, "reading_pct": 5}', "known_air_pct is 0"),
    ("gauge-check", '{"gauge_psi": [], "reference_psi": []}', "gauge_psi must be a list"),
    ("cylinders", '{"diameter_in": 6, "height_mm": 300, "density_lb_ft3": 145}', "two systems"),
])
def test_wrong_use_of_the_others_is_one_sentence(monkeypatch, capsys, test: str, text: str, words: str) -> None:
    code, out, err = command(monkeypatch, capsys, text, test)
    assert code == 2 and out == "" and words in err and err.count("\n") == 1
