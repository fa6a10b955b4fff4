"""The files of the service, held against systemd's own programs where they are here; written into a root folder and taken away.

systemd-analyze, systemd-sysusers, systemd-tmpfiles and systemctl read and act on them, all with --root. That systemd then runs
the service: tests/fault/test_service.py.
"""
from __future__ import annotations

import argparse
import os
import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from assistant import procedures
from assistant.cli import parser
from assistant.office.commands import DATABASE, INSTALLED
from assistant.setup import service, texts
from assistant.setup.texts import BOARD_UNIT, RULES, SEND_UNIT, SYSUSERS, TMPFILES, UNIT, DeploymentError, Service
from tests.command import ROOT, Done, bowlside

needs_systemd = pytest.mark.skipif(not all(map(shutil.which, ("systemd-sysusers", "systemd-tmpfiles", "systemctl"))),
                                   reason="systemd is missing")
PROGRAM = "/opt/bowlside/current/bin/bowlside"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Another system, mounted somewhere: as much of it as those programs look at."""
    place = tmp_path / "root"
    for name in ("etc/systemd/system", "var/lib", "usr/lib", "run"):
        (place / name).mkdir(parents=True)
    (place / "etc/passwd").write_text("root:x:0:0::/root:/bin/sh\ntech:x:1000:1000::/home/tech:/bin/sh\n")
    (place / "etc/group").write_text("root:x:0:\ntech:x:1000:\naudio:x:29:\n")
    return place


def install(root: Path, *more: object) -> Done:
    return bowlside("install-service", "--root", root, "--program", PROGRAM, *more)


def written(root: Path) -> list[str]:
    return sorted(str(path.relative_to(root)) for path in root.rglob("*bowlside*"))


@needs_systemd
def test_installed_into_another_root_and_taken_away(root: Path) -> None:
    done = install(root)
    assert done.code == 0 and done.err == "", done
    users = dict(line.split(":", 1) for line in (root / "etc/passwd").read_text().splitlines())
    groups = {line.split(":")[0] for line in (root / "etc/group").read_text().splitlines()}
    assert users["bowlside"].endswith("/var/lib/bowlside:/usr/sbin/nologin") and groups >= {*texts.GROUPS, "bowlside"}
    data = (root / "var/lib/bowlside").stat()
    assert stat.S_IMODE(data.st_mode) == 0o700 and str(data.st_uid) == users["bowlside"].split(":")[1]
    link = root / "etc/systemd/system/multi-user.target.wants/bowlside.service"
    assert link.is_symlink()
    for path in (UNIT, RULES, SYSUSERS, TMPFILES):
        assert stat.S_IMODE((root / path).stat().st_mode) == 0o644
    (root / "var/lib/bowlside/journal").mkdir()
    again = install(root)
    assert again.code == 0 and (root / "etc/passwd").read_text().count("\nbowlside:") == 1
    done = bowlside("uninstall-service", "--root", root)
    assert done.code == 0 and "/var/lib/bowlside" in done.out
    assert written(root) == ["var/lib/bowlside"] and not link.is_symlink()
    assert (root / "var/lib/bowlside/journal").is_dir()
    bowlside("uninstall-service", "--root", root).is_one_sentence(2, "no service")


@needs_systemd
def test_the_stations_user_reads_what_a_careful_root_installs(root: Path) -> None:
    before = os.umask(0o077)
    try:
        done = install(root, "--settings", "/dev/null")
    finally:
        os.umask(before)
    assert done.code == 0, done
    made = [root / path for path in ("etc/bowlside", "etc/bowlside/station.toml", "etc/udev/rules.d", UNIT)]
    assert [path for path in made if not path.stat().st_mode & 0o004] == []


@needs_systemd
def test_what_is_installed_is_on_the_disk_when_it_says_so(root: Path, tmp_path: Path) -> None:
    """After the last file was put in its place: systemd's own programs sync what they write themselves."""
    job = tmp_path / "my.toml"
    job.write_text("chamber_ratio = 0.0612\n")
    args = argparse.Namespace(root=root, user=None, data="/var/lib/bowlside", test="slump", job=job, settings=None,
                              program=PROGRAM, board=None, send=None, dry_run=False)
    there: list[bool] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "sync", lambda: there.append(all((root / path).is_file() for path in (UNIT, "etc/bowlside/job.toml"))))
        assert service.install(args) == 0
    assert there == [True]


@needs_systemd
def test_installed_again_without_a_word_it_stays_as_it_was(root: Path, tmp_path: Path) -> None:
    """As after an upgrade. Without its job there would be no limits; on a new record a test that is not over would be out of
    sight."""
    job = tmp_path / "my.toml"
    job.write_text("chamber_ratio = 0.0612\n")
    assert install(root, "--test", "round", "--job", job, "--data", "/data/bowlside", "--user", "tech").code == 0
    first = (root / UNIT).read_text()
    again = install(root)
    assert again.code == 0 and (root / UNIT).read_text() == first
    for kept in ("--test round", "--job /etc/bowlside/job.toml", "--data /data/bowlside", "--user tech", "uninstall-service"):
        assert kept in again.out, again.out
    assert f"ExecStart={PROGRAM} run slump --headless --job /etc/bowlside/job.toml" in install(
        root, "--test", "slump", "--dry-run").out, "what is given wins"
    assert bowlside("uninstall-service", "--root", root).code == 0
    assert install(root).code == 0
    fresh = (root / UNIT).read_text()
    assert "run sequential --headless\n" in fresh and "User=bowlside\n" in fresh and "/data/bowlside" not in fresh


@needs_systemd
def test_another_user_is_told_whose_the_record_is(root: Path) -> None:
    assert install(root).code == 0
    assert install(root, "--user", "tech").err == "", "there is no record yet"
    assert install(root, "--user", "bowlside").code == 0
    (root / "var/lib/bowlside/journal").mkdir()
    told = install(root, "--user", "tech").err
    assert "belongs to bowlside" in told and "sudo chown -R tech: /var/lib/bowlside" in told
    assert install(root).err == ""


def test_a_dry_run_shows_everything_and_changes_nothing(root: Path) -> None:
    before = sorted(root.rglob("*"))
    done = install(root, "--dry-run", "--user", "tech")
    assert done.code == 0 and sorted(root.rglob("*")) == before
    for path, text in texts.written(Service(PROGRAM, "tech", own_user=False)).items():
        assert f"--- {root / path}\n{text}" in done.out
    assert f"$ systemctl --root={root} enable bowlside.service" in done.out


@needs_systemd
def test_somebodys_login_a_partition_a_job_and_settings(root: Path, tmp_path: Path) -> None:
    settings, job = tmp_path / "my.toml", tmp_path / "job.toml"
    settings.write_text('[gauge]\nkind = "line"\nport = "ADAPTER-07"\n')
    job.write_text('job = "Tern Hollow footbridge"\nchamber_ratio = 0.0612\n')  # invented
    done = install(root, "--user", "tech", "--data", "/data/bowlside", "--settings", settings, "--job", job, "--test", "slump")
    assert done.code == 0, done
    unit = (root / UNIT).read_text()
    assert f"ExecStart={PROGRAM} run slump --headless --job /etc/bowlside/job.toml\n" in unit
    assert "\nUser=tech\n" in unit and "ReadWritePaths=/data/bowlside\n" in unit and "RequiresMountsFor=/data/bowlside\n" in unit
    assert "XDG_CONFIG_HOME=/etc " in unit and "BOWLSIDE_JOURNAL=/data/bowlside/journal\n" in unit
    assert (root / "etc/bowlside/station.toml").read_text() == settings.read_text()
    assert (root / "etc/bowlside/job.toml").read_text() == job.read_text()
    assert 'ATTRS{serial}=="ADAPTER-07"' in (root / RULES).read_text()
    assert (root / "data/bowlside").stat().st_uid == 1000 and "bowlside:" not in (root / "etc/passwd").read_text()


@pytest.mark.parametrize(("more", "words"), [
    (("--user", "nobody-here"), "no user nobody-here"), (("--data", "/"), "data folder"), (("--data", "var"), "data folder"),
    (("--data", "/a/../etc"), "data folder"), (("--data", "/a b"), "letters"), (("--data", "/a\nUser=root"), "letters"),
    (("--data", "/%h"), "letters"), (("--program", "/opt/a;b"), "letters"), (("--program", "/home/pi/x/bowlside"), "--user"),
    (("--test", "slmup"), "slmup"), (("--job", "/none.toml"), "none.toml"), (("--settings", "/proc/self/mem"), "mem")])
def test_what_can_not_be_is_refused_in_one_sentence(root: Path, more: tuple[str, str], words: str) -> None:
    before = sorted(root.rglob("*"))
    install(root, *more).is_one_sentence(2, words)
    assert sorted(root.rglob("*")) == before


@pytest.mark.parametrize("more", [
    ("--data", "/var/lib"), ("--data", "/etc"), ("--data", "/etc/bowlside"), ("--data", "/home/tech"), ("--data", "/home/tech/x"),
    ("--data", "/home/tech", "--user", "tech"), ("--data", "/data"), ("--data", "/mnt"), ("--data", "/usr/lib"),
    ("--data", "/opt"), ("--data", "/var"), ("--data", "/var/lib/"), ("--data", "/run/bowlside"), ("--data", "/home/other/x", "--user", "tech")])
def test_a_place_of_the_systems_is_not_made_private_to_the_station(root: Path, more: tuple[str, ...]) -> None:
    before = sorted(root.rglob("*"))
    install(root, *more).is_one_sentence(2, "private to the station", "below /var/lib")
    assert sorted(root.rglob("*")) == before


@pytest.mark.parametrize("made", ["var/lib/dpkg/status", "srv/bowlside/a/b", "data/bowlside"])
def test_nor_is_a_folder_that_holds_something_else(root: Path, made: str) -> None:
    path = root / made
    path.parent.mkdir(parents=True)
    path.write_text("of somebody else")
    data = path if made.startswith("data") else path.parent if "dpkg" in made else path.parent.parent
    install(root, "--data", f"/{data.relative_to(root)}").is_one_sentence(2, "holds something else")
    assert not (root / UNIT).exists() and path.read_text() == "of somebody else"


def test_nor_what_a_link_leads_to(root: Path) -> None:
    (root / "var/lib/station").symlink_to(root / "etc")
    (root / "srv").mkdir()
    (root / "srv/round").symlink_to("round")
    for data in ("/var/lib/station", "/var/lib/station/bowlside"):
        install(root, "--data", data).is_one_sentence(2, "link", "name the folder itself")
    install(root, "--data", "/srv/round/x").is_one_sentence(2, "/srv/round/x")  # a link in a circle


def test_root_by_any_name_does_not_run_the_station(root: Path) -> None:
    with (root / "etc/passwd").open("a") as passwd:
        passwd.write("admin:x:0:0::/root:/bin/sh\n")
    for name in ("root", "admin"):
        install(root, "--user", name).is_one_sentence(2, "needs no root", "--user")


@needs_systemd
def test_an_empty_folder_a_fresh_partition_a_home_and_its_own_record_are_taken(root: Path) -> None:
    (root / "mnt/card/lost+found").mkdir(parents=True)
    (root / "srv/bowlside").mkdir(parents=True)
    for more in (("/mnt/card",), ("/srv/bowlside",), ("/home/tech/record", "--user", "tech")):
        done = install(root, "--data", *more)
        assert done.code == 0, done
        (root / more[0][1:] / "journal").mkdir()
        assert bowlside("uninstall-service", "--root", root).code == 0
    assert install(root, "--data", "/mnt/card").code == 0, "the record that it left there is its own"
    (root / "mnt/card/journal").rmdir()
    (root / "mnt/card/voices").mkdir()
    assert install(root).code == 0, "and so is what the service that is there writes"


@pytest.mark.parametrize(("model", "login", "code"), [
    ("/home/tech/.local/share/bowlside/models/small", "", 2), ("~/small", "", 2), ("/opt/models/small", "", 0), ("own", "", 0),
    ("/home/tech/.local/share/bowlside/models/small", "tech", 0)])
def test_a_model_that_the_stations_user_can_not_read_is_refused(root: Path, tmp_path: Path, model: str, login: str,
                                                                code: int) -> None:
    """voice use remembers a folder in one's home, and the README installs one's own settings: the station would be deaf."""
    settings = tmp_path / "my.toml"
    settings.write_text(f'[hearing]\nmodel = "{model}"\n')
    done = install(root, "--dry-run", "--settings", settings, *(("--user", login) if login else ()))
    assert done.code == code, done
    if code:
        done.is_one_sentence(2, model, "--user")


def test_a_station_may_run_whole_rounds(root: Path) -> None:
    done = install(root, "--dry-run", "--test", "round")
    assert f"ExecStart={PROGRAM} round --headless\n" in done.out


def test_what_is_no_test_is_told_all_that_a_station_may_run(root: Path) -> None:
    refused = install(root, "--test", "rounds").is_one_sentence(2, "install-service", "'rounds'")
    for test in (*procedures.names(), "round"):
        assert test in refused.err.partition("there are")[2] and install(root, "--dry-run", "--test", test).code == 0


def test_a_root_that_can_not_be_written(root: Path) -> None:
    shutil.rmtree(root / "etc/systemd")
    (root / "etc/systemd").write_text("a file")
    install(root).is_one_sentence(2, str(root))


def unit_file(folder: Path, text: str | None = None) -> Path:
    path = folder / "bowlside.service"
    path.write_text(text or texts.written(Service("/bin/true", "root", own_user=False))[UNIT])
    return path


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd-analyze is missing")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    def verify() -> str:
        done = subprocess.run(["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(path)], capture_output=True,
                              text=True)
        return "\n".join(line for line in done.stderr.splitlines() if "bowlside" in line)
    path = unit_file(tmp_path)
    assert verify() == ""
    unit_file(tmp_path, path.read_text().replace("WatchdogSec=60", "WatchdogSec=soon"))
    assert "soon" in verify()


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd-analyze is missing")
def test_systemd_finds_it_well_shut_in(tmp_path: Path) -> None:
    """systemd's own measure of exposure: 0 shut, 10 open; a service without any of it has 9.6."""
    done = subprocess.run(["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit_file(
        tmp_path, texts.written(Service("/bin/true"))[UNIT]))], capture_output=True, text=True)
    found = re.search(r"exposure level.*: ([0-9.]+) ", done.stdout)
    told = re.search(r"xposure by `systemd-analyze security` of systemd 252\*\*: ([0-9.]+) ", (ROOT / "tests" / "measured.md").read_text())
    assert found and told and float(found[1]) <= float(told[1]), "no better than it is measured; a newer systemd may ask more"


def test_every_rule_is_a_line_of_udev() -> None:
    """Matches before assignments, as udev(7) has them; udev itself reads them in tests/fault/test_service.py."""
    part = r'[A-Z_]+(\{[A-Za-z_]+\})?(==|!=|=|\+=)"[^"]*"'
    for serial in ("", "ADAPTER-07"):
        lines = [line for line in texts.written(Service(PROGRAM, gauge_serial=serial))[RULES].splitlines() if line[0] != "#"]
        assert len(lines) == (5 if serial else 4) and all(re.fullmatch(rf"{part}(, {part})*", line) for line in lines)
        assert all("==" in line.split(", ")[0] for line in lines)


def test_the_gauge_is_known_by_its_serial_number_only_where_one_is_set() -> None:
    serial = texts.gauge_serial
    assert serial({"gauge": {"kind": "line", "port": "ADAPTER-07"}}) == "ADAPTER-07"
    assert serial({"gauge": {"kind": "line", "port": "/dev/ttyUSB0"}}) == serial({"gauge": {"kind": "line", "port": ""}}) == ""
    assert serial({"gauge": {"kind": "transducer", "port": "ADAPTER-07"}}) == serial({"gauge": {"port": "X"}}) == serial({}) == ""
    with pytest.raises(DeploymentError):
        texts.written(Service(PROGRAM, gauge_serial='x", RUN+="/bin/sh'))


def test_the_files_lie_in_the_package() -> None:
    assert {path.name for path in (ROOT / "assistant/setup").glob("bowlside*.*")} == {
        "bowlside.service", "bowlside-board.service", "bowlside-send.service", "bowlside-office.service",
        "bowlside.rules"}


# --- the crew's board -----------------------------------------------------------------------------------------------------------

@needs_systemd
def test_the_board_is_another_user_that_reads_what_the_station_writes(root: Path) -> None:
    done = install(root, "--board", "192.168.4.1")
    assert done.code == 0 and "bowlside board --address" in done.out, done
    passwd = {line.split(":")[0]: line.split(":") for line in (root / "etc/passwd").read_text().splitlines()}
    group = next(line.split(":")[2] for line in (root / "etc/group").read_text().splitlines() if line.startswith("bowlside-board:"))
    assert passwd["bowlside-board"][2] != passwd["bowlside"][2] and passwd["bowlside-board"][3] == group
    assert passwd["bowlside-board"][6] == "/usr/sbin/nologin"
    published = (root / "run/bowlside-board").stat()
    assert (oct(stat.S_IMODE(published.st_mode)), str(published.st_uid), str(published.st_gid)) == ("0o2750", passwd["bowlside"][2], group)
    station, board = (root / UNIT).read_text(), (root / BOARD_UNIT).read_text()
    assert "run sequential --headless --board --board-folder /run/bowlside-board\n" in station
    assert "RestrictAddressFamilies=AF_UNIX\n" in station and "IPAddressDeny=any\n" in station, "the station stays shut off"
    assert "ReadWritePaths=/var/lib/bowlside /run/bowlside-board\n" in station
    assert f"ExecStart={PROGRAM} board --on 192.168.4.1 --board-folder /run/bowlside-board\n" in board
    assert "\nUser=bowlside-board\n" in board and "ReadWritePaths" not in board and "ProtectSystem=strict\n" in board
    assert "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX\n" in board and "InaccessiblePaths=-/var/lib/bowlside\n" in board
    links = [root / "etc/systemd/system/multi-user.target.wants" / name for name in ("bowlside.service", "bowlside-board.service")]
    assert all(link.is_symlink() for link in links)
    again = install(root)
    assert "--board 192.168.4.1" in again.out and (root / BOARD_UNIT).read_text() == board
    assert install(root, "--board", "off").code == 0
    assert not (root / BOARD_UNIT).exists() and not links[1].is_symlink() and "--board" not in (root / UNIT).read_text()
    assert install(root, "--board", "all").code == 0
    assert bowlside("uninstall-service", "--root", root).code == 0 and not any(link.is_symlink() for link in links)
    assert not (root / BOARD_UNIT).exists() and not (root / UNIT).exists()


def test_without_it_nothing_of_the_board_is_there(root: Path) -> None:
    out = install(root, "--dry-run").out
    assert "bowlside-board" not in out and "--board" not in out


@pytest.mark.parametrize(("more", "words"), [
    (("--board", "board.local"), "by number"), (("--board", "all", "--user", "tech", "--program", "/home/tech/bowlside"), "somebody's home")])
def test_a_board_that_can_not_be(root: Path, more: tuple[str, ...], words: str) -> None:
    done = install(root, *more)
    assert done.code == 2 and words in done.err, done


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd-analyze is missing")
def test_systemd_finds_the_board_sound_and_well_shut_in(tmp_path: Path) -> None:
    path = tmp_path / "bowlside-board.service"
    path.write_text(texts.written(Service("/bin/true", board="all"))[BOARD_UNIT])
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(path)], capture_output=True, text=True)
    assert [line for line in done.stderr.splitlines() if "bowlside" in line] == []
    done = subprocess.run(["systemd-analyze", "security", "--offline=true", "--no-pager", str(path)], capture_output=True, text=True)
    found = re.search(r"exposure level.*: ([0-9.]+) ", done.stdout)
    told = re.search(r"he same of the board's unit\*\*: ([0-9.]+)", (ROOT / "tests" / "measured.md").read_text())
    assert found and told and float(found[1]) <= float(told[1])


# --- what leaves for the office -------------------------------------------------------------------------------------------------

@needs_systemd
def test_the_sender_is_a_unit_of_its_own_that_reads_the_record_and_writes_beside_it(root: Path) -> None:
    done = install(root, "--send", "--data", "/data/bowlside")
    assert done.code == 0 and "sudo bowlside send enrol ADDRESS --code CODE --journal /data/bowlside/journal" in done.out, done
    station, sender = (root / UNIT).read_text(), (root / SEND_UNIT).read_text()
    assert "RestrictAddressFamilies=AF_UNIX\n" in station and "IPAddressDeny=any\n" in station, "the station stays shut off"
    assert f"ExecStart={PROGRAM} send --journal /data/bowlside/journal\n" in sender and "\nUser=bowlside\n" in sender
    assert re.findall(r"^ReadWritePaths=(.*)$", sender, re.MULTILINE) == ["/data/bowlside/journal.sent"]
    assert "ProtectSystem=strict\n" in sender and "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX\n" in sender
    own, record = (root / "data/bowlside/journal.sent").stat(), (root / "data/bowlside").stat()
    assert (stat.S_IMODE(own.st_mode), own.st_uid) == (0o700, record.st_uid)
    link = root / "etc/systemd/system/multi-user.target.wants/bowlside-send.service"
    assert link.is_symlink()
    again = install(root)
    assert "--send on" in again.out and (root / SEND_UNIT).read_text() == sender and "send" not in (root / UNIT).read_text()
    assert install(root, "--send", "off").code == 0
    assert not (root / SEND_UNIT).exists() and not link.is_symlink() and (root / UNIT).exists()
    assert "journal.sent" not in (root / TMPFILES).read_text() and (root / "data/bowlside/journal.sent").is_dir()
    assert install(root, "--send", "--board", "all").code == 0 and link.is_symlink()
    assert bowlside("uninstall-service", "--root", root).code == 0 and not link.is_symlink()
    assert [path for path in (UNIT, SEND_UNIT, BOARD_UNIT) if (root / path).exists()] == []


def test_without_it_nothing_of_the_sender_is_there(root: Path) -> None:
    assert "send" not in install(root, "--dry-run").out


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd-analyze is missing")
def test_systemd_finds_the_sender_sound_and_well_shut_in(tmp_path: Path) -> None:
    path = tmp_path / "bowlside-send.service"
    path.write_text(texts.written(Service("/bin/true", send=True))[SEND_UNIT])
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(path)], capture_output=True, text=True)
    assert [line for line in done.stderr.splitlines() if "bowlside" in line] == []
    done = subprocess.run(["systemd-analyze", "security", "--offline=true", "--no-pager", str(path)], capture_output=True, text=True)
    found = re.search(r"exposure level.*: ([0-9.]+) ", done.stdout)
    told = re.search(r"he same of the sender's unit\*\*: ([0-9.]+)", (ROOT / "tests" / "measured.md").read_text())
    assert found and told and float(found[1]) <= float(told[1])


# --- the office -----------------------------------------------------------------------------------------------------------------

@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd-analyze is missing")
def test_systemd_finds_the_office_sound_and_well_shut_in(tmp_path: Path) -> None:
    """As it is shipped, but for the program, which systemd looks for."""
    path = tmp_path / "bowlside-office.service"
    unit = (ROOT / "assistant/setup/bowlside-office.service").read_text()
    path.write_text(unit.replace("/opt/bowlside-office/.venv/bin/bowlside", "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(path)], capture_output=True, text=True)
    assert [line for line in done.stderr.splitlines() if "bowlside" in line] == []
    done = subprocess.run(["systemd-analyze", "security", "--offline=true", "--no-pager", str(path)], capture_output=True, text=True)
    found = re.search(r"exposure level.*: ([0-9.]+) ", done.stdout)
    told = re.search(r"he same of the office's unit\*\*: ([0-9.]+)", (ROOT / "tests" / "measured.md").read_text())
    assert found and told and float(found[1]) <= float(told[1])


def test_what_the_offices_unit_starts_is_a_command_and_its_files_are_those_of_the_page() -> None:
    unit = (ROOT / "assistant/setup/bowlside-office.service").read_text()
    words = re.search(r"^ExecStart=/opt/bowlside-office/.venv/bin/bowlside (.*)", unit, re.MULTILINE)
    assert words and parser().parse_args(words[1].split()).port == 8443
    page = (ROOT / "assistant/docs/office.md").read_text()
    files = re.findall(r"[ =]/etc/bowlside-office/([a-z.]+)", unit)
    assert len(files) == 3 and all(re.search(rf"install -m 6[04]0 .*\b{re.escape(file)}.*/etc/bowlside-office/", page) for file in files)
    assert str(INSTALLED) in unit and f"{DATABASE}=postgresql://" in (ROOT / "assistant/setup" / INSTALLED.name).read_text()
