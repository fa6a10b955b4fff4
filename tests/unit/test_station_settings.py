"""The station's own settings: defaults, one clear sentence for each mistake, and a file that keeps its comments."""
import os
import re
import stat
import tomllib
from pathlib import Path

import pytest

from assistant.station import station_settings
from assistant.station.commands import EXAMPLE
from assistant.station.station_settings import StationSettingsError
from tests.command import bowlside


def test_without_a_file_everything_has_its_default(tmp_path):
    found = station_settings.read(tmp_path / "none.toml")
    assert found["voice"] == {"name": "en-us", "rate_wpm": 0, "volume": 100, "click": True, "wording": "normal",
                              "driver": "bowlside"}
    assert found["hearing"] == {"model": "", "barge_in": False}


def test_the_place_follows_xdg(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert station_settings.default_path() == tmp_path / "bowlside" / "station.toml"
    monkeypatch.delenv("XDG_CONFIG_HOME")
    assert station_settings.default_path() == Path.home() / ".config" / "bowlside" / "station.toml"


@pytest.mark.parametrize("source, words", [
    ("[voice]\nrate_wpm = 500",
     "[voice] rate_wpm = 500 is not allowed; it must be a whole number from 80 to 300 (words a minute), or 0 for the pace"),
    ("[voice]\nrate_wpm = true", "rate_wpm = true is not allowed"),
    ("[voice]\nwording = 'chatty'", '[voice] wording = "chatty" is not allowed; it must be one of "normal", "terse", "coaching"'),
    ("[voice]\nclick = 1", "click = 1 is not allowed; it must be true or false"),
    ("[voice]\nspeed = 3", '[voice] "speed" is no key here; allowed are name, rate_wpm'),
    ("[vioce]\nname = 'x'", "there is no section [vioce]; the sections are voice, hearing"),
    ("name = 'x'", "name stands outside any section"),
    ("[voice]\nname = 2026-01-01", 'name = "2026-01-01" is not allowed'),
    ("[voice\n", "line 1, column"),
])
def test_each_mistake_is_one_sentence_with_file_key_value_and_what_is_allowed(tmp_path, source, words):
    path = tmp_path / "station.toml"
    path.write_text(source)
    with pytest.raises(StationSettingsError) as problem:
        station_settings.read(path)
    assert str(problem.value).startswith(str(path))
    assert words in str(problem.value)
    assert "\n" not in str(problem.value)


def test_no_utf8_and_a_folder_in_its_place_are_sentences_too(tmp_path):
    (tmp_path / "latin").write_bytes(b"[voice]\nname = '\xe4'")
    with pytest.raises(StationSettingsError, match="line 2 is not in UTF-8"):
        station_settings.read(tmp_path / "latin")
    with pytest.raises(StationSettingsError, match="can't be read: it is a folder"):
        station_settings.read(tmp_path)
    with pytest.raises(StationSettingsError, match="can't be"):
        station_settings.write("voice", "click", False, tmp_path / "latin" / "station.toml")


def test_what_is_written_is_read_and_all_else_stays(tmp_path):
    path = tmp_path / "deep" / "station.toml"
    station_settings.write("hearing", "model", 'a "quoted" \\ place', path)
    assert station_settings.read(path)["hearing"]["model"] == 'a "quoted" \\ place'
    path.write_text("# mine\n[voice]\n# loud site\nrate_wpm = 150\n\n[hearing]\nmodel = 'one'\n")
    station_settings.write("voice", "rate_wpm", 200, path)
    station_settings.write("voice", "click", False, path)
    station_settings.write("hearing", "model", "two", path)
    found = station_settings.read(path)
    assert (found["voice"]["rate_wpm"], found["voice"]["click"], found["hearing"]["model"]) == (200, False, "two")
    assert "# mine" in path.read_text()
    assert "# loud site" in path.read_text()
    assert list(path.parent.iterdir()) == [path]


def test_a_key_of_an_earlier_version_is_read_over_told_in_a_sentence_and_kept(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    path = tmp_path / "station.toml"
    path.write_text('[hearing]\nmodel = "one"\ntechnician = "anna"\n')
    assert station_settings.read(path)["hearing"]["model"] == "one"
    (told,) = station_settings.unused(path)
    assert told.startswith(f"{path}: [hearing] technician is no longer used") and told.endswith(".") and "\n" not in told
    assert f"delete {tmp_path / 'data/bowlside/voices'} if it is there" in told
    station_settings.write("hearing", "model", "two", path)
    assert path.read_text() == '[hearing]\nmodel = "two"\ntechnician = "anna"\n'
    with pytest.raises(StationSettingsError, match='"technician" is no key'):
        station_settings.write("hearing", "technician", "ben", path)
    assert station_settings.unused(tmp_path / "none.toml") == []


def test_a_wrong_value_is_never_written(tmp_path):
    path = tmp_path / "station.toml"
    with pytest.raises(StationSettingsError, match="wording"):
        station_settings.write("voice", "wording", "loud", path)
    assert not path.exists()


def test_the_readmes_example_holds_every_key_and_its_default(tmp_path):
    readme = (Path(__file__).resolve().parents[2] / "assistant" / "docs" / "voice.md").read_text(encoding="utf-8")
    section = readme[readme.index("## The voice"):]
    path = tmp_path / "station.toml"
    path.write_text(section[section.index("```toml") + 7:section.index("```", section.index("```toml") + 7)], encoding="utf-8")
    assert station_settings.read(path)["voice"] == station_settings.read(tmp_path / "none")["voice"]
    assert all(f"\n{key} = " in path.read_text() for key in station_settings.KNOWN["voice"])


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o644], ids=oct)
def test_who_could_read_the_file_still_can(tmp_path, mode):
    """/etc/bowlside/station.toml is root's, and the service reads it as a user of its own."""
    path = tmp_path / "station.toml"
    path.write_text("")
    path.chmod(mode)
    if os.geteuid() == 0:
        os.chown(path, 65534, 65534)
    before = path.stat()
    station_settings.write("hearing", "model", "own", path)
    after = path.stat()
    assert after.st_ino != before.st_ino
    assert (after.st_mode, after.st_uid, after.st_gid) == (before.st_mode, before.st_uid, before.st_gid)


@pytest.mark.parametrize("folder, file", [(0o700, 0o600), (0o755, 0o644)])
def test_a_new_file_is_for_who_may_look_into_its_folder(tmp_path, folder, file):
    place = tmp_path / "bowlside"
    place.mkdir()
    place.chmod(folder)
    station_settings.write("hearing", "model", "own", place / "station.toml")
    assert stat.S_IMODE((place / "station.toml").stat().st_mode) == file


def test_a_link_to_a_partition_that_is_written_stays_one(tmp_path):
    """On a read-only root."""
    (tmp_path / "station.toml").symlink_to(tmp_path / "data.toml")
    station_settings.write("hearing", "model", "own", tmp_path / "station.toml")
    assert (tmp_path / "station.toml").is_symlink() and station_settings.read(tmp_path / "data.toml")["hearing"]["model"] == "own"


def test_what_is_remembered_is_on_the_disk_before_it_takes_the_old_ones_place(tmp_path, monkeypatch):
    path, there = tmp_path / "station.toml", []
    path.write_text("")
    monkeypatch.setattr(os, "fsync", lambda file: there.append((os.fstat(file).st_size, path.read_text())))
    station_settings.write("hearing", "model", "own", path)
    assert there == [(len(path.read_bytes()), "")]


# --- bowlside settings new ----------------------------------------------------------------------------------------------

def test_the_starter_file_has_every_key_with_its_default_and_changes_nothing():
    """A section, key or default that is added, renamed or moved must stand in it too."""
    text = EXAMPLE.read_text(encoding="utf-8")
    on = tomllib.loads(re.sub(r"(?m)^# (?=\w+ = )", "", text))
    wanted = {section: {key: list(one.default) if isinstance(one.default, tuple) else one.default for key, one in keys.items()}
              for section, keys in station_settings.KNOWN.items()}
    assert on == wanted
    assert station_settings.read(EXAMPLE) == station_settings.read(EXAMPLE.with_name("none.toml"))


def test_settings_new_writes_it_where_the_station_reads_it_for_its_owner_alone(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    before = os.umask(0o002)
    try:
        done = bowlside("settings", "new")
    finally:
        os.umask(before)
    own = station_settings.default_path()
    assert done.code == 0 and str(own) in done.out and own.read_text(encoding="utf-8") == EXAMPLE.read_text(encoding="utf-8")
    assert stat.S_IMODE(own.stat().st_mode) == 0o600
    station_settings.write("voice", "volume", 80)
    assert station_settings.read()["voice"]["volume"] == 80


def test_settings_new_never_overwrites(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert bowlside("settings", "new").code == 0
    station_settings.write("lamp", "pin", 4)
    before = station_settings.default_path().read_text(encoding="utf-8")
    bowlside("settings", "new").is_one_sentence(2, "there already")
    assert station_settings.default_path().read_text(encoding="utf-8") == before
    dangling = tmp_path / "link.toml"
    dangling.symlink_to(tmp_path / "elsewhere.toml")
    bowlside("settings", "new", dangling).is_one_sentence(2, "there already")
    bowlside("settings", "new", tmp_path / "none" / "s.toml").is_one_sentence(2, "no folder")
    other = bowlside("settings", "new", tmp_path / "other.toml")
    assert other.code == 0 and f"The station reads {station_settings.default_path()}" in other.out
