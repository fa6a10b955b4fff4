"""A procedure file with a mistake in it: one sentence that names the stage, the step, the key and what is allowed."""
from __future__ import annotations

import tomllib
from decimal import Decimal
from typing import Any

import pytest

from assistant import procedures
from assistant.core.methods import registry
from assistant.core.procedure import ProcedureError, build
from assistant.core.settings import Settings
from assistant.procedures import load, names
from assistant.record.header import header_of

GOOD = """
test = "tiny"
title = "A tiny test"
[[stage]]
name = "begin"
[[stage.step]]
id = "zero"
kind = "tell"
say = "Zero the gauge, {clamps} clamps."
[[stage]]
name = "run {R}"
with = [{ R = "1" }, { R = "2" }]
[[stage.step]]
id = "gauge.{R}"
kind = "ask"
quantity = "start pressure"
band = "override"
say = "Reading?"
[[stage.step]]
id = "rest.{R}"
kind = "hold"
seconds = "{settle_s}"
marks = [2]
[[stage.step]]
id = "tap.{R}"
kind = "tap"
seconds = "{tap_s}"
every = "{tap_every_s}"
[[stage]]
name = "end"
[[stage.step]]
id = "sure"
kind = "choose"
say = "Sure?"
yes = { goto = "end" }
no = { goto = "zero" }
[[stage.step]]
id = "result"
kind = "judge"
rule = "leak"
on = { pass = "end", fail = "zero" }
"""


def built(text: str) -> Any:
    return build(tomllib.loads(text, parse_float=Decimal), Settings(), "tiny.toml")


def test_the_good_one_is_good() -> None:
    assert [one.id for one in built(GOOD).steps] == [
        "zero", "gauge.1", "rest.1", "tap.1", "gauge.2", "rest.2", "tap.2", "sure", "result"]
    assert built(GOOD).steps[0].say == "Zero the gauge, 6 clamps."


WRONG = {
    "unknown key of the file": ('title =', 'autor = "x"\ntitle =', '"autor"', "title"),
    "no title": ('title = "A tiny test"', "", '"title"', "text"),
    "unknown key of a stage": ('name = "begin"', 'name = "begin"\nnam = "x"', "stage 1", '"nam"', 'did you mean "name"'),
    "unknown key of a step": ('say = "Zero', 'sya = "Zero', 'stage "begin"', "'zero'", '"sya"', 'did you mean "say"'),
    "a key of another kind": ('kind = "tell"', 'kind = "tell"\nseconds = "5"', "'zero'", '"seconds"', "allowed are"),
    "unknown kind": ('kind = "tell"', 'kind = "talk"', "'zero'", "'talk'", "tell", "choose"),
    "kind of a wrong type": ('kind = "tell"', 'kind = ["tell"]', "'zero'", "tell"),
    "no kind": ('kind = "tell"', '', "'zero'", "None", "tell"),
    "no id": ('id = "zero"', '', 'stage "begin"', '"id"'),
    "id of a wrong type": ('id = "zero"', 'id = 7', 'stage "begin"', '"id"', "text"),
    "id twice": ('id = "zero"', 'id = "sure"', "'sure'", "each needs its own"),
    "a target that is none": ('no = { goto = "zero" }', 'no = { goto = "zeor" }', "'sure'", "'zeor'", 'did you mean "zero"'),
    "a target of judge": ('fail = "zero"', 'fail = "zeor"', "'result'", "'zeor'", 'did you mean "zero"'),
    "a target of a wrong type": ('no = { goto = "zero" }', 'no = { goto = 7 }', "'sure'"),
    "judge targets that are no table": ('on = { pass = "end", fail = "zero" }', 'on = "zero"', "'result'", '"on"'),
    "judge target of a wrong type": ('fail = "zero"', 'fail = 7', "'result'"),
    "judge without on": ('on = { pass = "end", fail = "zero" }', "", "'result'", '"on"'),
    "unknown word": ("{clamps}", "{clmps}", 'stage "begin"', "{clmps}", "known are", "clamps"),
    "unknown binding": ('id = "gauge.{R}"', 'id = "charge.{Q}"', '{Q}', "known are"),
    "choose without no": ('no = { goto = "zero" }', "", "'sure'", '"no"', "table"),
    "choose with a wrong key": ('no = { goto = "zero" }', 'no = { to = "zero" }', "'sure'", '"to"', "goto"),
    "hold without a number": ('seconds = "{settle_s}"', 'seconds = "long"', "'rest.1'", '"seconds"', "'long'"),
    "hold below zero": ('seconds = "{settle_s}"', 'seconds = "-1"', "'rest.1'", '"seconds"', "from 0"),
    "hold without end": ('seconds = "{settle_s}"', 'seconds = "inf"', "'rest.1'", '"seconds"'),
    "hold of NaN": ('seconds = "{settle_s}"', 'seconds = "nan"', "'rest.1'", '"seconds"'),
    "marks that are none": ("marks = [2]", 'marks = ["two"]', "'rest.1'", '"marks"', "'two'"),
    "marks no list": ("marks = [2]", "marks = 2", "'rest.1'", "marks"),
    "count of a wrong type": ("marks = [2]", 'count = "five"', "'rest.1'", "count"),
    "taps at no beat": ('every = "{tap_every_s}"', 'every = "0"', "'tap.1'", '"every"', "from 0.1"),
    "taps of a wrong type": ('every = "{tap_every_s}"', 'every = [1]', "'tap.1'", "every"),
    "taps without end": ('seconds = "{tap_s}"', 'seconds = "inf"', "'tap.1'", '"seconds"'),
    "taps beyond number": ('every = "{tap_every_s}"', 'every = "1e-300"', "'tap.1'", "every"),
    "a caution that a joined tapping would never say": ('every = "{tap_every_s}"', 'joined = "Mallet?"\ncaution = "Mind it."\n'
                                                        'every = "{tap_every_s}"', "'tap.1'", '"joined"', "without a caution"),
    "three entries": ('band = "override"', 'entries = "three"', "'gauge.1'", '"entries"', '"one" or "two"'),
    "another band": ('band = "override"', 'band = "wide"', "'gauge.1'", '"band"', "override"),
    "places": ('band = "override"', "places = 9", "'gauge.1'", '"places"', "0 to 4"),
    "places of a wrong type": ('band = "override"', 'places = "two"', "'gauge.1'", '"places"'),
    "unit of a wrong type": ('band = "override"', "unit = 7", "'gauge.1'", "unit"),
    "say of a wrong type": ('say = "Reading?"', "say = 7", "'gauge.1'", '"say"', "text"),
    "like a stage that is none": ('name = "begin"', 'name = "begin"\nlike = "run"', 'stage "begin"', '"like"', "'run'"),
    "like of a wrong type": ('name = "begin"', 'name = "begin"\nlike = ["run"]', 'stage "begin"', '"like"'),
    "with no list": ('with = [{ R = "1" }, { R = "2" }]', 'with = 7', "run {R}", '"with"'),
    "with no tables": ('with = [{ R = "1" }, { R = "2" }]', 'with = ["1"]', "run {R}", '"with"'),
    "an S that is no step": ('with = [{ R = "1" }, { R = "2" }]', 'with = [{ R = "1", S = "9" }]', "run {R}"),
    "keys no table": ('title =', 'keys = 7\ntitle =', '"keys"', "next"),
    "keys without a command": ('title =', 'keys = { B = "sing" }\ntitle =', '"keys"', "next"),
    "keys of a wrong type": ('title =', 'keys = { B = ["next"] }\ntitle =', '"keys"', "next"),
    "standing no table": ('title =', 'standing = 7\ntitle =', '"standing"'),
    "editions of a wrong type": ('title =', 'editions = 7\ntitle =', '"editions"'),
    "a reading of no method": ('id = "gauge.{R}"', 'id = "guage.{R}"', "'guage.1'", "no method has"),
    "unknown rule": ('rule = "leak"', 'rule = "lake"', "'result'", "'lake'"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_mistake(name: str) -> None:
    old, new, *parts = WRONG[name]
    assert old in GOOD
    with pytest.raises(ProcedureError) as found:
        built(GOOD.replace(old, new, 1))
    said = str(found.value)
    assert said.startswith("tiny.toml") and "\n" not in said
    for part in parts:
        assert part in said, said


@pytest.mark.parametrize("data", [{}, {"test": "x", "title": "y"}, {"test": "x", "title": "y", "stage": []},
                                  {"test": "x", "title": "y", "stage": {}}, {"test": "x", "title": "y", "stage": [7]},
                                  {"test": "x", "title": "y", "stage": [{"name": "z"}]},
                                  {"test": "x", "title": "y", "stage": [{"name": "z", "step": [7]}]}])
def test_too_little(data: dict) -> None:
    with pytest.raises(ProcedureError):
        build(data, Settings(), "tiny.toml")


def test_every_procedure_that_is_shipped_is_sound() -> None:
    for name in procedures.names():
        assert build(procedures.load(name), Settings(), name).steps


@pytest.mark.parametrize("test, given, words", [
    ("sampling", {}, "begin within 5 minutes of"),
    ("sampling", {"start_within_s": "600"}, "begin within 10 minutes of"),
    ("sampling", {"mould_within_s": "1200"}, "Moulding begins within 20 minutes."),
    ("sampling", {"portions_within_s": "1200"}, "taken within 20 minutes?"),
    ("sampling", {"portions_within_s": "1200"}, "Portions over 20 minutes apart"),
    ("slump", {}, "within two and a half minutes of the first scoop?"),
    ("slump", {"slump_s": "180"}, "within 3 minutes of the first scoop?"),
    ("slump", {"slump_s": "180"}, "Took longer than 3 minutes:")])
def test_times_that_the_job_sets_are_the_ones_that_are_said(test: str, given: dict[str, str], words: str) -> None:
    """The defaults, 5, 15 and 2 1/2 minutes, are C172's and C143's, second-hand or from memory."""
    assert any(words in repr(step) for step in header_of({"test": test, **given}, "x").procedure.steps)


@pytest.mark.parametrize("test", names())
def test_an_old_journals_procedure_gets_the_roles_of_today(test: str) -> None:
    today = load(test)
    old = {**today, "stage": [{**stage, **({"step": [{key: value for key, value in step.items() if key != "role"}
                                                     for step in stage["step"]]} if "step" in stage else {})}
                              for stage in today["stage"]]}
    assert registry.with_roles(old) == today and registry.with_roles(today) is today
