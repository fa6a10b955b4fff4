import argparse
import io
import json
import sys
from decimal import Decimal as D

import pytest

from assistant import jsonline, work

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
    assert list(found) == ["results", "warnings", "verdict", "why"]
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
    for key in ("chamber_ratio", "aggregate_correction_pct"):
        assert any(warning.startswith(f"{key} was not given") for warning in warnings)


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
    ("slump-flow", CONTRACT, "the tests are sequential, leak"), ("", "{}", "the tests are"),
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
