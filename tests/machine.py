"""A small Debian that systemd really runs, without network: in namespaces of its own, on a root folder of its own.

Not a container's emulation: the systemd of that Debian is process 1 there, and units, users, sandbox and watchdog are its own. It
sees no device of this machine but null, zero, full and random. Needs root, and a kernel that lends cgroups; else CantRun.
"""
from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

SUITE, MIRROR = "bookworm", "http://deb.debian.org/debian"
PACKAGES = "systemd,systemd-sysv,udev,dbus,python3"
PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
SPACES = ("--mount", "--uts", "--ipc", "--net", "--cgroup")
BOOT = """
set -e
mount --make-rprivate /
mount --bind "$1" "$1"
mount -t proc proc "$1/proc"
mount -t sysfs -o ro sysfs "$1/sys"
if [ -f /sys/fs/cgroup/cgroup.controllers ]; then mount -t cgroup2 cgroup2 "$1/sys/fs/cgroup"
else
    mount -t tmpfs tmpfs "$1/sys/fs/cgroup"
    mkdir "$1/sys/fs/cgroup/systemd" "$1/sys/fs/cgroup/unified" "$1/sys/fs/cgroup/memory" "$1/sys/fs/cgroup/pids"
    mount -t cgroup -o none,name=systemd cgroup "$1/sys/fs/cgroup/systemd"
    mount -t cgroup2 cgroup2 "$1/sys/fs/cgroup/unified"
    mount -t cgroup -o memory cgroup "$1/sys/fs/cgroup/memory"
    mount -t cgroup -o pids cgroup "$1/sys/fs/cgroup/pids"
fi
mount -t tmpfs tmpfs "$1/run"
mount -t tmpfs tmpfs "$1/tmp"
mount -t tmpfs -o mode=755 tmpfs "$1/dev"
for name in null zero full random urandom; do touch "$1/dev/$name"; mount --bind "/dev/$name" "$1/dev/$name"; done
mkdir "$1/dev/pts" "$1/dev/shm" "$1/mnt/bundle" 2>/dev/null || true
ln -s /proc/self/fd "$1/dev/fd"
if [ -n "$2" ]; then mkdir -p "$1/mnt/bundle"; mount --bind "$2" "$1/mnt/bundle"; mount -o remount,bind,ro "$1/mnt/bundle"; fi
if [ -n "$3" ]; then
    mkdir -p "$1/var/lib/bowlside" "$1/var/log"
    mount --bind "$3" "$1/var/lib/bowlside"
    mount -t tmpfs tmpfs "$1/var/log"
    mount -o remount,bind,ro "$1"
fi
exec chroot "$1" env -i container=other PATH=%s /lib/systemd/systemd --log-target=journal --show-status=0
""" % PATH


class CantRun(Exception):
    """Something is missing. The message is a sentence."""


def debian(folder: Path) -> Path:
    """A root folder with that Debian, made once there by debootstrap, which is fetched and unpacked, not installed."""
    root = folder / "debian"
    if (root / "complete").exists():
        return root
    if os.geteuid() or shutil.which("apt-get") is None:
        raise CantRun("A Debian to start a service in can be made by root on Debian only.")
    tools = folder / "debootstrap"
    tools.mkdir(parents=True, exist_ok=True)
    _fetch("apt-get", "-o", "APT::Sandbox::User=root", "download", "debootstrap", cwd=tools)
    _fetch("dpkg-deb", "-x", str(next(tools.glob("debootstrap*.deb"))), str(tools))
    shutil.rmtree(root, ignore_errors=True)
    _fetch("sh", str(tools / "usr/sbin/debootstrap"), "--variant=minbase", f"--include={PACKAGES}", SUITE, str(root), MIRROR,
           env={**os.environ, "DEBOOTSTRAP_DIR": str(tools / "usr/share/debootstrap")})
    (root / "complete").touch()
    return root


def _fetch(*command: str, **more: Any) -> None:
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, **more)
    if done.returncode:
        raise CantRun(f"No Debian to start a service in: {(done.stderr.strip() or done.stdout.strip()).splitlines()[-1:]}")


class Machine:
    """Boots at construction. ``ro_data``: the root is read-only, and that folder is the small data partition."""

    def __init__(self, root: Path, bundle: Path | None = None, ro_data: Path | None = None, within_s: float = 60.0) -> None:
        self.root = root
        self._console = tempfile.TemporaryFile()
        self._unshare = subprocess.Popen(
            ["unshare", *SPACES, "--pid", "--fork", "--kill-child", "bash", "-c", BOOT, "boot", str(root), str(bundle or ""),
             str(ro_data or "")], stdin=subprocess.DEVNULL, stdout=self._console, stderr=self._console)
        until = time.monotonic() + within_s
        self._init = 0
        while self.run("systemctl", "is-system-running").stdout.strip() not in ("running", "degraded"):
            if self._unshare.poll() is not None or time.monotonic() > until:
                self.power_cut()
                raise CantRun(f"systemd does not run here: {self.console()[-300:]}")
            time.sleep(0.2)

    def run(self, *command: str, timeout: float = 500) -> subprocess.CompletedProcess[str]:
        """A command as root on that machine."""
        self._init = self._init or self._child()
        if not self._init:
            return subprocess.CompletedProcess(command, 1, "", "")
        return subprocess.run(["nsenter", "--target", str(self._init), *SPACES, "--pid", "chroot", str(self.root), "env", "-i",
                               f"PATH={PATH}", "HOME=/root", *command], stdin=subprocess.DEVNULL, capture_output=True, text=True,
                              timeout=timeout)

    def does(self, *command: str) -> str:
        """The same; it must succeed."""
        done = self.run(*command)
        assert done.returncode == 0, (command, done.stdout[-1500:], done.stderr[-1500:])
        return done.stdout

    def shows(self, name: str, unit: str = "bowlside") -> str:
        """One property of the service."""
        return self.does("systemctl", "show", "--property", name, "--value", unit).strip()

    def waits(self, name: str, value: str, within_s: float, unit: str = "bowlside") -> None:
        until = time.monotonic() + within_s
        while (found := self.shows(name, unit)) != value:
            assert time.monotonic() < until, f"{name} is {found}, not {value}: {self.log()[-1500:]}"
            time.sleep(0.2)

    def log(self) -> str:
        """What the service wrote."""
        return self.run("journalctl", "--no-pager", "--output=cat", "--unit=bowlside").stdout

    def console(self) -> str:
        """What was written before systemd had a log."""
        file = self._console.fileno()
        return os.pread(file, os.fstat(file).st_size, 0).decode(errors="replace")  # its place in the file is systemd's too

    def power_cut(self) -> None:
        """Everything there ends at once."""
        if self._unshare.poll() is None:
            self._unshare.send_signal(signal.SIGKILL)
        self._unshare.wait(20)

    def _child(self) -> int:
        path = Path(f"/proc/{self._unshare.pid}/task/{self._unshare.pid}/children")
        try:
            children = path.read_text().split()
        except OSError:
            return 0
        if not children or Path(f"/proc/{children[0]}/comm").read_text().strip() != "systemd":
            return 0
        return int(children[0])
