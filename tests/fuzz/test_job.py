"""Whatever stands in a job file: a job, or one sentence that names the file; what was accepted can be used.

The files are bytes of any kind, the shipped example with damage, and tables of known keys with anything in them.
"""
from __future__ import annotations

import random
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant import job
from assistant.core.settings import Settings
from assistant.files.refusal import Refusal
from assistant.job.commands import EXAMPLE
from assistant.job.file import LABELS, SAMPLED, SETTINGS, SWITCHES, TABLES, Job, JobError, load
from assistant.record.header import header_of

TEXT = EXAMPLE.read_text(encoding="utf-8") if isinstance(EXAMPLE, Path) else str(EXAMPLE)
HOSTILE = ["inf", "-inf", "nan", "1e400", "-0", "0x10", "1_000", "1" * 400, "0.1e-400", "true", "''", '"\\u0000"', '"\\n"',
           '"7.25"',
           "[]", "[[]]", "{}", "{ min = 1 }", "{ min = nan }", "{ max = 1e999 }", "1979-05-27", "07:32:00", '"half-up"',
           "[1, 2, 3]",
           '"' + "x" * 1000 + '"', "-1", "3.5", '"ü\\u202e"', "[14.5, 30, 45]", "99999999999999999999"]
KEYS = ["test", *LABELS, *SWITCHES, *SETTINGS, *TABLES, "limits", "speech", "air_content", "min", "max", "target", "check_test",
        "every_yd3", "batch_lb", "cementitious", *SAMPLED, "Z", '"TH 40.A"', "a.b", '""']


def job_or_sentence(content: bytes) -> bool:
    """True: it is a job, and the rest of the station can use it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "my.toml"
        path.write_bytes(content)
        try:
            found = load(path)
        except JobError as refusal:
            assert "my.toml" in str(refusal) and len(str(refusal).splitlines()) == 1 and len(str(refusal)) < 4000, refusal
            return False
        assert isinstance(found, Job)
        for mix in (None, *found.mixes):
            Settings.from_mapping(found.settings(mix))
            found.aggregate_source(mix)
            for test in ("sequential", "density"):
                try:
                    header_of({"test": test, **job.read(path, mix)}, "my.toml")
                except Refusal as refusal:      # a setting that this test can't be done with
                    assert len(str(refusal).splitlines()) == 1
        return True


@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes(content: bytes) -> None:
    job_or_sentence(content)


@given(st.lists(st.tuples(st.sampled_from(KEYS), st.sampled_from(HOSTILE)), max_size=6),
       st.lists(st.tuples(st.lists(st.sampled_from(KEYS), min_size=1, max_size=3),
                          st.lists(st.tuples(st.sampled_from(KEYS), st.sampled_from(HOSTILE)), max_size=4)), max_size=3))
def test_any_tables(top: list[tuple[str, str]], tables: list[tuple[list[str], list[tuple[str, str]]]]) -> None:
    lines = [f"{key} = {value}" for key, value in top]
    for place, rows in tables:
        lines += [f"[{'.'.join(place)}]", *(f"{key} = {value}" for key, value in rows)]
    job_or_sentence("\n".join(lines).encode())


def damaged(chance: random.Random) -> str:
    """The example with one to three lines changed."""
    lines = TEXT.splitlines()
    for _ in range(chance.choice((1, 1, 2, 3))):
        at = chance.randrange(len(lines))
        match chance.randrange(6):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[chance.randrange(len(lines))])
            case 2:
                key, equals, _ = lines[at].partition("=")
                lines[at] = f"{key}= {chance.choice(HOSTILE)}" if equals else lines[at] + chance.choice(HOSTILE)
            case 3 if lines[at]:
                cut = chance.randrange(len(lines[at]))
                lines[at] = lines[at][:cut] + chance.choice("=[]{}\"'#.\\\x00é ") + lines[at][cut + 1:]
            case 4:
                lines[at] = lines[at].replace("0", chance.choice(("", "-0", "1e9", "0.000000000000000001")), 1)
            case _:
                lines[at] = f"{chance.choice(KEYS)} = {chance.choice(HOSTILE)}"
    return "\n".join(lines)


def test_the_example_damaged(request: pytest.FixtureRequest) -> None:
    accepted = sum(job_or_sentence(damaged(random.Random(seed)).encode("utf-8", "surrogatepass"))
                   for seed in range(20_000 if request.config.getoption("--all") else 150))
    assert accepted > 10, "hardly one was accepted: this shows nothing of those"


@pytest.mark.parametrize("content", [
    b"a" * 100_000, b"[" * 5_000, b"x = " + b"[" * 5_000, b"x = {a = " * 2_000, b"job = \"" + b"\\" * 9_999, b"\xef\xbb\xbf",
    b"\xff\xfe\x00",
    b"limits = " + b"9" * 5_000, b"chamber_ratio = 0." + b"1" * 5_000, b"".join(b"[mixes.m%d]\n" % n for n in range(20))])
def test_large_and_deep_ones(content: bytes) -> None:
    job_or_sentence(content)
