"""The proof that people and festival were never trained on: over all that training can draw, and over the shipped corpus.

A voice of the bench with the role "score" only scores. espeak-ng's variants that choose (held) are not trained on either.
"""

import json
import random
import tomllib
from pathlib import Path

import pytest

from models.adapting import speakers
from models.training import compose, corpus, voices

ROOT = Path(__file__).resolve().parents[2]
BENCH = tomllib.loads((ROOT / "tests/bench/hearing/speakers.toml").read_text("utf-8"))["voice"]
SHIPPED = [ROOT / "models" / name / "corpus.json" for name in ("own", "people")]
OUR_NAME = {"espeak-ng": "espeak"}                          # the bench's name of an engine -> training's, where they differ
PROGRAMS = {"espeak", "flite", "kokoro", "joe", "hibari"}
PEOPLE = {"gsc", "an4", "so762", "given"}
"""Recordings that training may use; their speakers who examine are the held ones (tests/unit/test_exam_of_people.py)."""
DRAWS = 4000
SCORED = {(OUR_NAME.get(voice["engine"], voice["engine"]), voice["as"]) for voice in BENCH if voice["role"] == "score"}
TUNED_VARIANTS = {voice["as"].partition("+")[2] for voice in BENCH if voice["engine"] == "espeak-ng"} - {""}


@pytest.fixture
def drawn(monkeypatch):
    """Who is asked to speak: draws(engine, held) gives (name, the engine that makes the sound, its first setting)."""
    asked = []
    for factory in ("espeak", "flite", "joe", "hibari", "kokoro"):
        monkeypatch.setattr(speakers, factory, lambda first, *_, by=factory: asked.append((by, first)))

    def draws(engine: str, held: bool) -> set[tuple[str, str, object]]:
        rng = random.Random(f"{engine} {held}")
        found = set()
        for _ in range(DRAWS):
            name, _ = voices.speaker(engine, held, rng)
            by, first = asked.pop()
            found.add((name, by, first if by in ("espeak", "flite") else None))
        assert not asked
        return found

    return draws


def _scored(engine: str, name: str) -> bool:
    """Whether it is a voice that only scores: by its engine as a whole, or by its name."""
    return engine not in PROGRAMS | PEOPLE or (engine, name) in SCORED


def test_training_has_these_engines_and_no_other():
    assert set(voices.ENGINES) == PROGRAMS == set(corpus.SAYS)
    for engine in {voice["engine"] for voice in BENCH} - {"espeak-ng", "flite"}:
        with pytest.raises(LookupError):
            voices.speaker(engine, False, random.Random(1))


def test_people_and_one_whole_engine_only_score():
    """A voice that is moved to "tune", or an engine that training learns to use, ends here."""
    scoring = {engine for engine, _ in SCORED}
    assert {voice["engine"] for voice in BENCH if voice["accent"] == "human"} <= scoring
    assert {"festival", "words of a woman", "words of a man", "prose", "strings"} <= scoring
    assert all(voice["role"] == "score" for voice in BENCH if voice["engine"] in scoring - PROGRAMS)
    assert not scoring & PROGRAMS
    assert "festival" not in "".join(path.read_text("utf-8") for path in (ROOT / "models/training").glob("*.py"))


@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize("engine", sorted(PROGRAMS))
def test_no_draw_gives_a_voice_that_scores(drawn, engine, held):
    if held and engine in ("joe", "hibari"):
        with pytest.raises(LookupError):
            voices.speaker(engine, True, random.Random(1))
        return
    found = drawn(engine, held)
    for name, by, voice in found:
        assert by == engine and not _scored(by, name) and not _scored(by, voice)
        assert voice in (name, None)                        # the name in the manifest is the voice that speaks


def test_held_variants_are_never_trained_on(drawn):
    """Also those that the bench tunes with, else it would choose settings by voices that the network knows."""
    trained, held = ({name for name, _, _ in drawn("espeak", part)} for part in (False, True))
    of = [{name.partition("+")[2] for name in part} for part in (trained, held)]
    assert len(of[0]) > 30 and len(of[1]) > 10 and not of[0] & of[1]
    assert not of[0] & voices.HELD_VARIANTS and not of[0] & {*speakers.VARIANTS["held"]} and not of[0] & TUNED_VARIANTS
    flite = [{name for name, _, _ in drawn("flite", part)} for part in (False, True)]
    assert flite[0] == {"slt", "rms", "kal16"} and flite[1] == {"awb"}


def _wrong(rows: list[dict]) -> list[dict]:
    """Rows of a manifest that should not be there."""
    bad = []
    for row in rows:
        variant, engine = row["speaker"].partition("+")[2], row["engine"]
        taught = not row["held"]
        if (_scored(engine, row["speaker"]) or row["held"] != corpus.is_held(row["number"])
                or taught and engine == "espeak" and variant not in voices.TRAINED_VARIANTS
                or taught and engine == "flite" and row["speaker"] not in ("slt", "rms", "kal16")):
            bad.append(row)
    return bad


def test_the_manifest_names_every_speaker(tmp_path):
    rows = [{"engine": "espeak", "number": 8, "speaker": "en-gb+Annie", "held": False},
            {"engine": "espeak", "number": 9, "speaker": "en-us+m7", "held": True},
            {"engine": "flite", "number": 0, "speaker": "slt", "held": False}]
    for row in rows:
        place = tmp_path / row["engine"] / f"{row['number']:04d}.json"
        place.parent.mkdir(exist_ok=True)
        place.write_text(json.dumps(row | {"clips": []}))
        place.with_suffix(".flac").touch()
    corpus.write_manifest(tmp_path, tmp_path / "corpus.json")
    written = json.loads((tmp_path / "corpus.json").read_text("utf-8"))
    assert written == corpus.manifest(tmp_path) == rows and _wrong(rows) == []
    with pytest.raises(LookupError, match="no speech"):
        corpus.write_manifest(tmp_path / "flite", tmp_path / "none.json")


@pytest.mark.parametrize("row", [
    {"engine": "festival", "number": 1, "speaker": "ked_diphone", "held": False},
    {"engine": "words of a man", "number": 1, "speaker": "spokennumbers", "held": True},
    {"engine": "espeak", "number": 1, "speaker": "en-us+m7", "held": False},
    {"engine": "espeak", "number": 9, "speaker": "en-us+Annie", "held": False},
    {"engine": "flite", "number": 1, "speaker": "awb", "held": False}])
def test_what_should_not_be_in_a_manifest_is_seen(row):
    assert _wrong([row]) == [row]


@pytest.mark.parametrize("manifest", SHIPPED, ids=lambda path: path.parent.name)
def test_no_shipped_model_was_trained_on_anybody_who_scores(manifest):
    rows = json.loads(manifest.read_text("utf-8"))
    assert _wrong(rows) == []
    assert sum(not row["held"] for row in rows) >= 300 and {row["engine"] for row in rows} <= PROGRAMS | PEOPLE


def test_the_people_of_training_are_those_that_it_names():
    assert set(compose.PEOPLE) == PEOPLE and set(compose.SHARES) == PEOPLE | PROGRAMS
