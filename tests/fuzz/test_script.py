"""Whatever comes in as a script, a journal row or readings: an answer or one sentence, never anything else."""
from __future__ import annotations

import json
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from assistant import work
from assistant.core.events import KINDS
from assistant.files.refusal import Refusal
from assistant.record import summary
from assistant.record.journal import FILE, Journal, JournalError
from assistant.rehearsal.script import Script, read
from tests.command import HEADER, READINGS, bowlside, script

scalars = (st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
           | st.sampled_from(["sequential", "zero", "next", "7 * 2 5 #", "charge.1.1", "x.wav", ".", "0.06", "half-up",
                              10 ** 400]))
values = st.recursive(scalars,
                      lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
                      max_leaves=8)
headers = st.dictionaries(st.sampled_from([*HEADER, "job", "speech", "practice", "clamps", "step_targets", "max_psi", "other"]),
                          values, max_size=4).map(lambda more: {"test": "sequential", **more})
answers = st.dictionaries(st.sampled_from(["on", "after", "then", "say", "key", "hear", "gauge", "event", "other"]), values,
                          max_size=4)
happened = st.dictionaries(st.sampled_from(["kind", "at", "text", "key", "value", "since", "number", "boot", "device", "other"]),
                           values, max_size=3)
events = st.tuples(st.sampled_from([*KINDS, "Nothing"]), happened).map(
    lambda given: {"then": 1, "event": {**given[1], "kind": given[0]}})


def is_script_or_sentence(lines: list[str]) -> None:
    try:
        assert isinstance(read(lines, "here", Path("/nonexistent")), Script)
    except Refusal as error:
        assert "here" in str(error) and "\n" not in str(error).strip(), error


@given(st.lists(st.text(), max_size=4))
def test_any_text_as_a_script(lines: list[str]) -> None:
    is_script_or_sentence(lines)
    is_script_or_sentence([json.dumps(HEADER), *lines])


@given(st.lists(events, min_size=1, max_size=3))
def test_any_event_in_a_script_is_rehearsed_or_told(happenings: list[Any]) -> None:
    lines = [json.dumps(each) for each in (HEADER, *happenings)]
    is_script_or_sentence(lines)
    with tempfile.TemporaryDirectory() as folder:
        done = bowlside("rehearse", "-", "--journal", folder, stdin="\n".join(lines))
    assert done.code in (0, 1, 2) and "Traceback" not in done.err


@given(headers, st.lists(answers | values, max_size=3))
def test_any_json_as_a_script(head: Any, rest: list[Any]) -> None:
    is_script_or_sentence([json.dumps(each) for each in (head, *rest)])
    is_script_or_sentence([json.dumps(each) for each in (HEADER, *rest)])


@given(st.sampled_from(["sequential", "leak", "other"]), st.text() | values.map(json.dumps))
def test_anything_as_readings(test: str, text: str) -> None:
    is_result_or_sentence(test, text)


@given(st.dictionaries(st.sampled_from(["charge_psi", "equilibrium_psi", "chamber_ratio", "aggregate_correction_pct", "limits",
                                        "rounding", "initial_psi", "final_psi", "hold_s"]), values, max_size=4),
       st.sampled_from(["sequential", "leak"]), st.booleans())
def test_anything_among_good_readings(more: dict[str, Any], test: str, whole: bool) -> None:
    good: dict[str, Any] = {"leak": {"initial_psi": 45.2, "final_psi": 45.1}, "sequential": {
        "charge_psi": [[14.5, 30, 45]] * 2, "equilibrium_psi": [[7.25, 18.63, 31.81], [7.32, 18.77, 32.01]]}}[test]
    is_result_or_sentence(test, json.dumps({**(good if whole else {}), **more}))


def is_result_or_sentence(test: str, text: str) -> None:
    try:
        found, code = work.run(test, text)
    except ValueError as error:
        assert str(error) and type(error) is ValueError, repr(error)
    else:
        assert code in (0, 1) and found["verdict"] in ("pass", "fail", "invalid", "none")


def _sound() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        readings = dict(list(READINGS.items())[:4])
        bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script(readings))
        return (Path(folder) / FILE).read_bytes()


SOUND: list[bytes] = []


@given(st.integers(1, 60), st.binary(max_size=60) | st.text(max_size=60) | st.builds(
    lambda kind, at, more: json.dumps({"kind": kind, "at": at, **more}), st.sampled_from([*KINDS]), scalars,
    st.dictionaries(st.sampled_from(["text", "key", "number", "name", "value", "boot", "device", "words", "seconds", "why",
                                     "test",
                                     "procedure", "settings", "header"]), values, max_size=5)))
def test_anything_as_a_row_of_the_journal(seq: int, body: bytes | str) -> None:
    if not SOUND:
        SOUND.append(_sound())
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / FILE).write_bytes(SOUND[0])
        db = sqlite3.connect(folder / FILE)
        try:
            db.execute("PRAGMA synchronous = OFF")
            db.execute("UPDATE events SET body = ? WHERE seq = ?",
                       (body.encode("utf-8", "surrogatepass") if isinstance(body, str) else body, seq))
            db.execute("UPDATE events SET body = CAST(body AS TEXT) WHERE seq = ?", (seq,))
            db.commit()
        finally:
            db.close()
        with Journal(folder, write=False) as journal:
            bad = journal.first_bad()
            assert bad is not None and bad[0] == seq, bad
            try:
                summary.of(journal, 1)
            except JournalError as error:
                assert "\n" not in str(error)
