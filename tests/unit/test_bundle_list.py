"""Nothing of a bundle but what its list names is installed, or run; and a list that must be signed is.

pip, Python and OpenSSH's ssh-keygen themselves do it here; apt does in tests/fault/test_service.py.
"""
from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from assistant.setup import bundle, releases
from assistant.setup.releases import SUMS


def wheel_of(folder: Path, name: str, version: str = "0.1.0", more: dict[str, str] | None = None, needs: str = "",
             tag: str = "") -> None:
    """A wheel as the packaging specifications have it (Binary distribution format), with a package of that name."""
    info = f"{name}-{version}.dist-info"
    files = {f"{name}/__init__.py": "", f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n{needs}",
             f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n", **(more or {})}
    folder.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(folder / f"{name}-{version}{tag}-py3-none-any.whl", "w") as packed:
        for path, text in files.items():
            packed.writestr(path, text)
        packed.writestr(f"{info}/RECORD", "".join(f"{path},,\n" for path in (*files, f"{info}/RECORD")))


@pytest.fixture
def whole(tmp_path: Path) -> Path:
    """A small bundle that really installs: the station, something that it needs, something to be taken alone, a model."""
    place = tmp_path / "NO NAME" / "bundle"
    wheel_of(place / "wheels", "bowlside", needs="Requires-Dist: needed\n", more={
        "bowlside/run.py": 'def main():\n    print("VERDICT    pass")\n',
        "bowlside-0.1.0.dist-info/entry_points.txt": "[console_scripts]\nbowlside = bowlside.run:main\n"})
    wheel_of(place / "wheels", "needed")
    wheel_of(place / "wheels" / "alone", "alone", needs="Requires-Dist: nowhere\n")
    (place / "models/small").mkdir(parents=True)
    (place / "models/small/final.mdl").write_text("model")
    (place / "install.py").write_text(Path(releases.__file__).read_text(encoding="utf-8"), encoding="utf-8")
    bundle.seal(place)
    return place


def installed(whole: Path, *more: object, program: Path | None = None) -> subprocess.CompletedProcess[str]:
    """As the README has it typed, in the bundle's own folder; Debian's packages stay as they are."""
    prefix = whole.parents[1] / "opt"
    bare = {"PATH": str(whole.parents[1] / "bin"), "HOME": str(whole.parents[1])}
    return subprocess.run([sys.executable, "install.py" if program is None else str(program), *map(str, more), "--prefix",
                           str(prefix), "--command", str(prefix / "bin/bowlside"), "--journal", str(prefix / "none")],
                          cwd=whole, capture_output=True, text=True, env=bare)


def test_only_what_is_listed_is_installed_or_even_run(whole: Path) -> None:
    """The wheel that was tried: beside the listed ones, with a .pth that Python runs at each start, as root there."""
    proof, prefix = whole.parents[1] / "proof", whole.parents[1] / "opt"
    bad = f"import pathlib; pathlib.Path({str(proof)!r}).write_text('ran')\n"
    for name, tag in (("needed", "-9"), ("evil", "")):
        wheel_of(whole / "wheels", name, tag=tag, more={"bad.pth": bad})
    wheel_of(whole / "wheels", "needed", "9.9", more={"bad.pth": bad})
    wheel_of(whole / "wheels/alone", "evil", more={"bad.pth": bad})
    for name in ("argparse", "hashlib", "venv", "pip", "ensurepip", "__future__", "typing"):
        (whole / f"{name}.py").write_text(bad)
    (whole / "models/other").mkdir()
    (whole / "models/other/final.mdl").write_text("of nobody")
    (whole / "pip.conf").write_text("[install]\nfind-links = .\n")
    done = installed(whole)
    assert done.returncode == 0, done
    (place,) = (prefix / "releases").glob("*/lib/python3*/site-packages")
    there = {path.name for path in place.iterdir()}
    assert {"bowlside", "needed", "alone", "needed-0.1.0.dist-info"} <= there and not proof.exists()
    assert not [name for name in there if "evil" in name or "9.9" in name or name == "bad.pth"]
    assert [path.name for path in (place / "models/installed").iterdir()] == ["small"]
    assert (prefix / "install.py").read_bytes() == Path(releases.__file__).read_bytes()


def test_what_a_wheel_needs_and_is_not_listed_is_not_taken_from_beside_it(whole: Path) -> None:
    (whole / SUMS).write_text("".join(line for line in (whole / SUMS).read_text().splitlines(True) if "needed" not in line))
    done = installed(whole)
    assert done.returncode == 1 and "No matching distribution found for needed" in done.stderr.splitlines()[-1], done
    assert not (whole.parents[1] / "opt/current").exists()


def test_apt_gets_only_the_listed_packages(whole: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An index beside the listed one, packed, would come first."""
    (whole / "debs").mkdir()
    (whole / "debs/Packages").write_text("listed")
    (whole / SUMS).unlink()
    bundle.seal(whole)
    for name in ("Packages.xz", "InRelease", "evil.deb"):
        (whole / "debs" / name).write_text("of nobody")
    seen: list[list[str]] = []

    def run(command: list[str], more: object = None) -> None:
        source = next(Path(one.partition("=")[2]) for one in command if one.startswith("Dir::Etc::sourcelist="))
        seen.append(sorted(path.name for path in (source.parent / "debs").iterdir()))
        assert str(source.parent / "debs") in source.read_text()
    for one, instead in (("_run", run), ("_is_installed", lambda name: False)):
        monkeypatch.setattr(releases, one, instead)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(shutil, "which", lambda name: f"/usr/bin/{name}")
    releases._debian_packages(whole, releases.verified(whole)[1])
    assert seen == [["Packages"], ["Packages"]]


# --- signed, by OpenSSH's own program -------------------------------------------------------------------------------------------

@pytest.fixture
def keys(tmp_path: Path) -> Path:
    """Two keys, and the file of who may sign, which names the first."""
    if shutil.which("ssh-keygen") is None:
        pytest.skip("ssh-keygen is missing")
    for name in ("office", "other"):
        subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(tmp_path / name)], check=True)
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin/ssh-keygen").symlink_to(shutil.which("ssh-keygen"))
    (tmp_path / "signers").write_text(f"bowlside {(tmp_path / 'office.pub').read_text()}")
    return tmp_path


def test_a_signed_bundle_is_the_offices(whole: Path, keys: Path) -> None:
    bundle.sign(whole, keys / "office")
    releases.signed(whole, keys / "signers")
    done = subprocess.run(["ssh-keygen", "-Y", "verify", "-f", str(keys / "signers"), "-I", "bowlside", "-n", "bowlside", "-s",
                           f"{SUMS}.sig"], cwd=whole, stdin=(whole / SUMS).open(), capture_output=True, text=True)
    assert done.returncode == 0, "by hand, as the README has it"
    with (whole / SUMS).open("a") as sums:
        sums.write(f"{'0' * 64}  more\n")
    with pytest.raises(releases.InstallError, match="nothing of it was used"):
        releases.signed(whole, keys / "signers")


@pytest.mark.parametrize(("key", "words"), [("", "is not signed"), ("other", "not one of")])
def test_where_signers_are_named_nothing_else_is_installed(whole: Path, keys: Path, key: str, words: str) -> None:
    """Asked of the install.py that is there already: the stick's own might ask for nothing."""
    if key:
        bundle.sign(whole, keys / key)
    trusted = keys / "trusted.py"
    shutil.copyfile(releases.__file__, trusted)
    done = installed(whole, whole, "--signers", keys / "signers", program=trusted)
    assert done.returncode == 1 and words in done.stderr and len(done.stderr.splitlines()) == 1, done
    assert not (whole.parents[1] / "opt").exists()


def test_a_key_that_can_not_sign_is_told(whole: Path, tmp_path: Path) -> None:
    with pytest.raises(bundle.Refusal, match="not signed with"):
        bundle.sign(whole, tmp_path / "none")
