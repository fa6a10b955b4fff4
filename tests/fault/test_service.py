"""The service on a Debian that systemd really runs, installed from the bundle without network: started, killed, hung, cut off,
upgraded, rolled back, on a read-only root, taken away.

What is expected of systemd is in systemd.service(5) and systemd.exec(5); it is systemd itself that does it (tests/machine.py).
There are no pins there: the keypad is on gpiozero's mock pins, so nobody keys. The tests are in order, on one root folder, which
is kept in $BOWLSIDE_TEST_DEBIAN if that is set (making it takes some minutes).
"""
from __future__ import annotations

import json
import os
import shutil
import stat
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from assistant.cli import main
from assistant.setup.bundle import seal
from assistant.setup.releases import SUMS
from assistant.setup.texts import GROUPS
from tests.machine import CantRun, Machine, debian

pytestmark = [pytest.mark.long, pytest.mark.alone]
JOURNAL = "/var/lib/bowlside/journal"
UP_S = 60.0
DROP_IN = "[Service]\nEnvironment=GPIOZERO_PIN_FACTORY=mock\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    kept = os.environ.get("BOWLSIDE_TEST_DEBIAN")
    if kept:
        for name in ("bundle", "newer", "damaged", "fails", "data"):
            shutil.rmtree(Path(kept) / name, ignore_errors=True)
    return Path(kept) if kept else tmp_path_factory.mktemp("service")


@pytest.fixture(scope="module")
def bundle(folder: Path) -> Path:
    """As a maintainer makes it: `bowlside bundle`."""
    assert main(["bundle", str(folder / "bundle")]) == 0
    return folder / "bundle"


@pytest.fixture(scope="module")
def root(folder: Path, bundle: Path) -> Path:
    """A bare Debian on which the bundle was installed without network, and the service after it."""
    try:
        made = debian(folder)
        machine = Machine(made, bundle)
    except CantRun as reason:
        pytest.skip(str(reason))
    assert machine.run("getent", "hosts", "deb.debian.org").returncode, "that machine has a network"
    print(machine.does("python3", "/mnt/bundle/install.py"))
    (made / "etc/bowlside").mkdir(exist_ok=True)
    (made / "etc/bowlside/station.toml").write_text('[keypad]\nkind = "matrix"\n')
    drop_in(made, DROP_IN)
    machine.does("bowlside", "install-service")
    machine.waits("ActiveState", "active", UP_S)
    machine.power_cut()
    return made


def drop_in(root: Path, text: str, name: str = "pins", unit: str = "bowlside") -> None:
    place = root / f"etc/systemd/system/{unit}.service.d"
    place.mkdir(exist_ok=True)
    (place / f"{name}.conf").write_text(text)


@pytest.fixture
def machine(root: Path, bundle: Path) -> Iterator[Machine]:
    """Booted anew: the service starts by itself."""
    one = Machine(root, bundle)
    one.waits("ActiveState", "active", UP_S)
    yield one
    one.power_cut()


def events(machine: Machine) -> int:
    found = json.loads(machine.does("bowlside", "log", "verify", "--json", "--journal", JOURNAL))
    assert found["sound"]
    return int(found["events"])


def count_of_tests(machine: Machine) -> int:
    return len(machine.does("bowlside", "log", "list", "--json", "--journal", JOURNAL).splitlines())


def test_who_it_is_and_what_it_may(machine: Machine) -> None:
    """Its own user, five groups, no capability, a filter of system calls, limits that the kernel knows, a record of its own."""
    pid = machine.shows("MainPID")
    status = dict(line.split(":\t", 1) for line in machine.does("cat", f"/proc/{pid}/status").splitlines() if ":\t" in line)
    user = machine.does("id", "-u", "bowlside").strip()
    assert status["Uid"].split() == [user] * 4 and user != "0"
    groups = {machine.does("getent", "group", name).split(":")[2] for name in (*GROUPS, "bowlside")}
    assert set(status["Groups"].split()) == groups
    assert {status[name] for name in ("CapPrm", "CapEff", "CapBnd", "CapAmb")} == {"0" * 16}
    assert (status["NoNewPrivs"], status["Seccomp"]) == ("1", "2")
    assert [machine.shows(name) for name in ("MemoryMax", "TasksMax", "WatchdogUSec")] == [str(800 * 2**20), "128", "1min"]
    assert 20 * 2**20 < int(machine.shows("MemoryCurrent")) < 600 * 2**20
    for path in (machine.root / JOURNAL[1:]).rglob("*"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
    assert stat.S_IMODE((machine.root / JOURNAL[1:]).stat().st_mode) == 0o700
    for path in ("etc", "opt/bowlside", "usr", "home"):  # as it sees them, by the eyes of root
        assert "Read-only" in machine.run("touch", f"/proc/{pid}/root/{path}/x").stderr, path
    machine.does("touch", f"/proc/{pid}/root/var/lib/bowlside/x")
    machine.does("rm", "/var/lib/bowlside/x")
    assert "Keypad" in machine.log() or "keypad" in machine.log()


def test_killed_it_is_there_again_with_the_same_test(machine: Machine) -> None:
    before, tests = events(machine), count_of_tests(machine)
    for count in (1, 2, 3):
        machine.does("systemctl", "kill", "--signal=KILL", "--kill-whom=main", "bowlside")
        machine.waits("NRestarts", str(count), 15)
        machine.waits("ActiveState", "active", UP_S)
    assert events(machine) > before and count_of_tests(machine) == tests, "a test was lost, or a new one begun"


def test_hung_the_watchdog_ends_it(machine: Machine) -> None:
    """Stopped in the middle, as by a library that never comes back."""
    drop_in(machine.root, "[Service]\nWatchdogSec=4\n", "watchdog")
    try:
        machine.does("systemctl", "daemon-reload")
        machine.does("systemctl", "restart", "bowlside")
        machine.run("sleep", "10")
        assert machine.shows("NRestarts") == "0", "it was ended though its loop turned"
        machine.does("systemctl", "kill", "--signal=STOP", "--kill-whom=main", "bowlside")
        machine.waits("NRestarts", "1", 30)
        machine.waits("ActiveState", "active", UP_S)
        assert "Watchdog timeout" in machine.does("journalctl", "--no-pager", "_PID=1")
    finally:
        (machine.root / "etc/systemd/system/bowlside.service.d/watchdog.conf").unlink()


def test_stopped_in_good_order(machine: Machine) -> None:
    machine.does("systemctl", "stop", "bowlside")
    assert (machine.shows("Result"), machine.shows("ExecMainStatus")) == ("success", "1")
    assert "is not over" in machine.log() and "Traceback" not in machine.log()


def test_udev_reads_its_rules(machine: Machine) -> None:
    """udev's own parser names the line of a rule that it can't use."""
    rules = machine.root / "etc/udev/rules.d/70-bowlside.rules"
    sound = rules.read_text()

    def complaints() -> list[str]:
        done = machine.run("udevadm", "test", "/devices/virtual/mem/null")
        return [line for line in (done.stdout + done.stderr).splitlines() if "70-bowlside.rules:" in line]
    try:
        assert complaints() == []
        rules.write_text(sound.replace('SUBSYSTEM=="spidev", GROUP="spi"', 'SUBSYSTEM=="spidev", CROWD="spi"'))
        assert complaints(), "a wrong rule is not told, so this shows nothing"
    finally:
        rules.write_text(sound)


def test_power_cut_it_starts_by_itself_and_goes_on(root: Path, bundle: Path) -> None:
    for _ in range(2):
        machine = Machine(root, bundle)
        machine.waits("ActiveState", "active", UP_S)
        assert count_of_tests(machine) == 1
        machine.power_cut()


def test_a_read_only_root_and_a_small_data_partition(root: Path, bundle: Path, folder: Path) -> None:
    """The record of before is on it; nothing else is written, and it fits into 64 MB."""
    data = folder / "data"
    if not data.exists():
        shutil.copytree(root / "var/lib/bowlside", data, symlinks=True)
        for path in [data, *data.rglob("*")]:
            found = (root / "var/lib/bowlside" / path.relative_to(data)).lstat()
            os.chown(path, found.st_uid, found.st_gid, follow_symlinks=False)
    machine = Machine(root, bundle, data)
    try:
        assert "Read-only" in machine.run("touch", "/x").stderr
        machine.waits("ActiveState", "active", UP_S)
        before = events(machine)
        machine.does("systemctl", "restart", "bowlside")
        machine.waits("ActiveState", "active", UP_S)
        assert events(machine) > before and count_of_tests(machine) == 1
        size = sum(path.stat().st_size for path in data.rglob("*") if path.is_file() and not path.is_symlink())
        assert size < 64e6, size
    finally:
        machine.power_cut()


def newer(bundle: Path, folder: Path, change: bytes = b"") -> Path:
    """The same bundle, changed: another release. ``change`` is added to the command line's source in the wheel."""
    shutil.copytree(bundle, folder)
    (folder / "README.txt").write_text("A newer one.\n")
    if change:
        wheel = next((folder / "wheels").glob("bowlside-*.whl"))
        with zipfile.ZipFile(wheel) as old:
            parts = {name: old.read(name) for name in old.namelist()}
        with zipfile.ZipFile(wheel, "w") as new:
            for name, data in parts.items():
                new.writestr(name, data + change if name == "assistant/cli.py" else data)
    (folder / SUMS).unlink()
    seal(folder)
    return folder


def running(machine: Machine) -> str:
    """The release that runs, as install.py lists it."""
    listed = machine.does("python3", "/opt/bowlside/install.py", "--list").splitlines()
    (found,) = [line.split()[0] for line in listed if line.endswith("  runs")]
    return found


def test_upgraded_and_rolled_back_with_the_record(root: Path, bundle: Path, folder: Path) -> None:
    machine = Machine(root, newer(bundle, folder / "newer"))
    try:
        machine.waits("ActiveState", "active", UP_S)
        before, first = events(machine), running(machine)
        machine.does("python3", "/mnt/bundle/install.py")
        machine.waits("ActiveState", "active", UP_S)
        second = running(machine)
        assert second != first
        assert second in machine.does("cat", f"/proc/{machine.shows('MainPID')}/cmdline")
        upgraded = events(machine)
        assert upgraded > before and count_of_tests(machine) == 1
        machine.does("python3", "/opt/bowlside/install.py", "--roll-back")
        machine.waits("ActiveState", "active", UP_S)
        assert first in machine.does("cat", f"/proc/{machine.shows('MainPID')}/cmdline")
        assert events(machine) > upgraded and count_of_tests(machine) == 1
    finally:
        machine.power_cut()


@pytest.mark.parametrize(("how", "words"), [("damaged", "is damaged"), ("fails", "does not pass its own rehearsal")])
def test_a_bad_upgrade_changes_nothing(root: Path, bundle: Path, folder: Path, how: str, words: str) -> None:
    bad = newer(bundle, folder / how, b"\nraise RuntimeError('broken')\n" if how == "fails" else b"")
    if how == "damaged":
        wheel = next((bad / "wheels").glob("numpy-*.whl"))
        wheel.write_bytes(wheel.read_bytes()[:-1] + b"x")
    machine = Machine(root, bad)
    try:
        machine.waits("ActiveState", "active", UP_S)
        before = machine.does("readlink", "/opt/bowlside/current"), machine.shows("MainPID")
        done = machine.run("python3", "/mnt/bundle/install.py")
        assert done.returncode == 1 and words in done.stderr and "Traceback" not in done.stderr, done
        assert (machine.does("readlink", "/opt/bowlside/current"), machine.shows("MainPID")) == before
    finally:
        machine.power_cut()
        shutil.rmtree(bad)


def test_the_board_is_another_user_on_a_network_that_the_station_is_shut_off_from(machine: Machine) -> None:
    """Asked for by `--board`: the page comes over the loopback, from what the station publishes; neither can do the other's part."""
    drop_in(machine.root, "[Service]\nPrivateDevices=no\n", "devices", "bowlside-board")  # that machine's /dev can't be made anew
    machine.does("bowlside", "install-service", "--board", "all")
    machine.waits("ActiveState", "active", UP_S)

    def shown(name: str) -> str:
        return machine.shows(name, "bowlside-board")
    until = time.monotonic() + UP_S
    fetch = ("python3", "-c", "import urllib.request as r; print(r.urlopen('http://127.0.0.1:8080/', timeout=5).status)")
    while (got := machine.run(*fetch)).returncode and time.monotonic() < until:
        machine.run("sleep", "0.5")
    assert got.stdout.strip() == "200", got.stderr + machine.does("journalctl", "--no-pager", "-u", "bowlside-board")
    station, board = machine.shows("MainPID"), shown("MainPID")
    users = [machine.does("stat", "-c", "%U", f"/proc/{pid}").strip() for pid in (station, board)]
    assert users == ["bowlside", "bowlside-board"] and shown("ActiveState") == "active"
    modes = machine.does("stat", "-c", "%U %G %a", "/run/bowlside-board", "/run/bowlside-board/now.json").split("\n")
    assert modes[:2] == ["bowlside bowlside-board 2750", "bowlside bowlside-board 640"]
    before = json.loads(machine.does("cat", "/run/bowlside-board/now.json"))
    assert before["state"] == "testing" and before["title"].startswith("Sequential")

    def as_user(user: str, pid: str, *command: str) -> bool:
        """In the same sandbox as that process and with its groups, but for the filters, which nobody else can put on."""
        group = "nogroup" if user == "nobody" else ""
        return machine.run("nsenter", "-t", pid, "-m", "-r", "--", "setpriv", f"--reuid={user}", f"--regid={group or user}",
                           f"--groups={group or 'bowlside-board'}", *command).returncode == 0
    assert as_user("bowlside-board", board, "cat", "/run/bowlside-board/now.json")
    assert not as_user("bowlside-board", board, "touch", "/run/bowlside-board/now.json")
    assert not as_user("bowlside-board", board, "touch", "/run/bowlside-board/x") and not as_user(
        "bowlside-board", board, "ls", "/var/lib/bowlside")
    assert as_user("bowlside", station, "cat", "/var/lib/bowlside-board/board.json"), "the code, to say it"
    assert not as_user("bowlside", station, "touch", "/var/lib/bowlside-board/board.json")
    assert not as_user("nobody", board, "cat", "/run/bowlside-board/now.json")
    status = machine.does("cat", f"/proc/{board}/status")
    assert "CapEff:\t0000000000000000" in status and "NoNewPrivs:\t1" in status and "Seccomp:\t2" in status
    machine.does("systemctl", "kill", "--signal=KILL", "bowlside-board")
    assert machine.shows("MainPID") == station and machine.shows("NRestarts") == "0", "the station noticed"
    machine.does("systemctl", "restart", "bowlside")
    machine.waits("ActiveState", "active", UP_S)
    after = json.loads(machine.does("cat", "/run/bowlside-board/now.json"))
    assert after["run"] != before["run"] and after["title"] == before["title"]
    machine.does("bowlside", "install-service", "--board", "off")
    assert machine.run("systemctl", "is-active", "bowlside-board").stdout.strip() == "inactive"


def test_the_sender_is_on_the_network_and_the_station_is_not(machine: Machine) -> None:
    """Asked for by `--send`: it waits for its enrolment, reads the record while the station writes it, and writes beside it alone."""
    drop_in(machine.root, "[Service]\nPrivateDevices=no\n", "devices", "bowlside-send")  # that machine's /dev can't be made anew
    machine.does("bowlside", "install-service", "--send")
    machine.waits("ActiveState", "active", UP_S)
    folder = machine.root / "var/lib/bowlside/journal.sent"
    assert "not enrolled" in _logged(machine, "not enrolled")
    folder.joinpath("office.json").write_text(json.dumps({"address": "https://127.0.0.1:9", "station": "00000000-0000-0000-0000-000000000007",
                                                          "name": "Bay 4 (invented)", "office": "No office (invented)"}))
    folder.joinpath("key").write_text("a-key-of-the-tests-0123456789\n")
    for name in ("office.json", "key"):
        machine.does("chown", "bowlside:bowlside", f"/var/lib/bowlside/journal.sent/{name}")
    _logged(machine, "Nothing answers at https://127.0.0.1:9")
    status = json.loads(folder.joinpath("status.json").read_text())
    assert status["kind"] == "signal" and len(status["record"]) == 36, "it did not read the record"
    station, sender = machine.shows("MainPID"), machine.shows("MainPID", "bowlside-send")
    assert station != sender and machine.does("stat", "-c", "%U", f"/proc/{sender}").strip() == "bowlside"
    for path in ("var/lib/bowlside", "var/lib/bowlside/journal", "etc", "opt/bowlside"):
        assert "Read-only" in machine.run("touch", f"/proc/{sender}/root/{path}/x").stderr, path
    machine.does("touch", f"/proc/{sender}/root/var/lib/bowlside/journal.sent/x")
    found = machine.does("cat", f"/proc/{sender}/status")
    assert "CapEff:\t0000000000000000" in found and "NoNewPrivs:\t1" in found and "Seccomp:\t2" in found
    shut = machine.shows("RestrictAddressFamilies"), machine.shows("RestrictAddressFamilies", "bowlside-send")
    assert shut[0] == "AF_UNIX" and "AF_INET" in shut[1]
    before = events(machine)
    machine.does("systemctl", "kill", "--signal=KILL", "bowlside-send")
    machine.does("systemctl", "restart", "bowlside")
    machine.waits("ActiveState", "active", UP_S)
    assert events(machine) > before and "Traceback" not in machine.does("journalctl", "--no-pager", "-u", "bowlside-send")
    machine.does("bowlside", "install-service", "--send", "off")
    assert machine.run("systemctl", "is-active", "bowlside-send").stdout.strip() == "inactive" and folder.is_dir()


def _logged(machine: Machine, words: str) -> str:
    until = time.monotonic() + UP_S
    while words not in (log := machine.does("journalctl", "--no-pager", "-u", "bowlside-send")) and time.monotonic() < until:
        machine.run("sleep", "0.5")
    return log


def test_taken_away_and_the_record_stays(machine: Machine) -> None:
    count = events(machine)
    printed = machine.does("bowlside", "uninstall-service")
    assert JOURNAL.rsplit("/", 1)[0] in printed
    assert machine.run("systemctl", "status", "bowlside").returncode == 4, "it is still known"
    assert not list(machine.root.glob("etc/*/bowlside.conf")) and not list(machine.root.glob("etc/udev/rules.d/*bowlside*"))
    assert events(machine) >= count
    assert machine.run("bowlside", "uninstall-service").returncode == 2
