"""Whether a 64-bit ARM hears what this x86-64 machine hears: the same sounds, the same model, under user-mode emulation.

    python -m tests.bench.arm64 [MODEL] [--folder WORK] [--count N]
    python -m tests.bench.arm64 --start [--folder WORK]     only: whether the program starts there and rehearses a test alike

MODEL: a folder that vosk loads (models/own). Needs Debian on amd64, the Python of a Debian release, and the network. Debian's
Python and libraries for arm64, qemu, and the wheels for arm64 in the same versions as here are fetched and unpacked into WORK
(kept if named) and run from there: nothing is installed, mounted or registered, and nobody need be root.

Correctness only: emulation says nothing about speed. Ends with 1 if a text, or what the ear understood, is one that this machine
doesn't give either when noise of one 16-bit step is added; with 2 if it can't be run.
"""
from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import platform
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from tests.bench.footprint import keep, kept

if TYPE_CHECKING:
    import numpy as np

ROOT = Path(__file__).resolve().parents[2]
SUITES = {(3, 11): "bookworm", (3, 13): "trixie"}
"""The Debian that has this Python: wheels for it then run there too."""
WHEELS = ("vosk", "numpy", "soxr", "pocketsphinx", "cffi")
ALONE = ("pyrnnoise",)
"""Without what it requires, as at set-up."""
SOURCES = ("srt",)
"""Pure Python that vosk imports and that is published as source only: its wheel is made here."""
PLATFORMS = ("manylinux2014_aarch64", *(f"manylinux_2_{minor}_aarch64" for minor in (17, 24, 26, 27, 28, 31, 34, 35)))
KEYS = "/usr/share/keyrings/debian-archive-keyring.gpg"


CLEANED = "cleaned"


class CantRun(Exception):
    """Something is missing. The message is a sentence."""


# --- what is run on either machine ------------------------------------------------------------------------------------------


TRIALS = 8
"""Times that a sound is heard again with noise of one 16-bit step, which nobody hears: where that decides between two hypotheses
that score alike, two machines may differ."""


def hear(model: Path, clips: Path, out: Path, ears: int, trials: int) -> None:
    """Writes out.json and out.npz: what this machine's vosk, ear, denoiser and network of ours make of the clips.

    ears: so many are heard by the whole ear too. trials: what so many with noise of one step give is "near".
    """
    import numpy as np
    import vosk

    from models.ear import open_ear
    from models.quieten import denoise
    from models.training import kaldi
    from models.vosk_engine import VoskEngine
    from models.wav import RATE, to_pcm, to_sound
    from tests.own_network import fbank, log_probs

    engine, ear, network = VoskEngine(model, second=False), open_ear(), kaldi.read_network(model / "am" / "final.mdl")

    def understood(sound: np.ndarray, clip: Any) -> list[str | bool | None]:
        found = ear.understand(to_pcm(sound), RATE, clip.expect)
        return [found.heard, found.value, found.accepted]

    rows: list[dict[str, Any]] = []
    arrays: dict[str, np.ndarray] = {}
    for number, clip in enumerate(kept(clips)):
        sound = to_sound(clip.pcm, RATE)
        dice = np.random.default_rng(number)
        others = [sound + dice.uniform(-1, 1, len(sound)).astype(np.float32) / 32768 for _ in range(trials)]
        recogniser = vosk.KaldiRecognizer(engine.strict_model, RATE)
        recogniser.SetWords(True)
        recogniser.AcceptWaveform(clip.pcm)
        words = json.loads(recogniser.FinalResult()).get("result", [])
        row = {"text": engine.hear_anything(sound), "near": {"text": [engine.hear_anything(one) for one in others]},
               "words": [[word["start"], word["end"], word["conf"]] for word in words]}
        arrays[f"log_probs {number}"] = log_probs(network, fbank(sound))
        if clip.group != CLEANED:
            arrays[f"denoised {number}"] = denoise(sound)
            if number < ears:
                row["understood"] = understood(sound, clip)
                row["near"]["understood"] = [understood(one, clip) for one in others]
        rows.append(row)
    np.savez(f"{out}.npz", **arrays)
    machine = f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}"
    Path(f"{out}.json").write_text(json.dumps({"machine": machine, "ear": ear.name, "rows": rows}), encoding="utf-8")


# --- an arm64 root without installing anything ------------------------------------------------------------------------------


def prepare(work: Path) -> list[str]:
    """The command that runs Debian's Python for arm64, without site; all of it is made in `work` as far as it isn't there.
    Raises CantRun."""
    if platform.machine() != "x86_64":
        raise CantRun(f"This is {platform.machine()}; the comparison is made on x86-64.")
    if (suite := SUITES.get(sys.version_info[:2])) is None:
        raise CantRun(f"No Debian release has Python {platform.python_version()}; run this with 3.11 or 3.13.")
    for program, package in (("apt-get", "apt"), ("dpkg-deb", "dpkg"), ("tar", "tar")):
        if shutil.which(program) is None:
            raise CantRun(f"{program} is missing (Debian package {package}); this works on Debian only.")
    if not Path(KEYS).is_file():
        raise CantRun(f"{KEYS} is missing: apt install debian-archive-keyring.")
    version = f"{sys.version_info[0]}.{sys.version_info[1]}"
    python = work / "root" / "usr" / "bin" / f"python{version}"
    if not python.exists():
        _unpacked(work, suite, "arm64", "root", f"python{version}-minimal", f"libpython{version}-stdlib", "libstdc++6",
                  "libatomic1")
    emulator = _emulator(work)
    if emulator is None:
        _unpacked(work, suite, "amd64", "qemu", "qemu-user-static" if suite == "bookworm" else "qemu-user")
        emulator = _emulator(work)
    if emulator is None:
        raise CantRun("There is no qemu-aarch64 in Debian's package: apt install qemu-user-static.")
    if not (work / "packages").is_dir():
        _packages(work, version)
    return [emulator, "-L", str(work / "root"), str(python), "-S"]


def _emulator(work: Path) -> str | None:
    here = work / "qemu" / "usr" / "bin"
    return (shutil.which("qemu-aarch64-static") or shutil.which("qemu-aarch64-static", path=here)
            or shutil.which("qemu-aarch64", path=here))


def _unpacked(work: Path, suite: str, arch: str, into: str, *packages: str) -> None:
    """Debian packages and what they need, by an apt whose state is all in `work`."""
    apt = work / f"apt-{arch}"
    for folder in ("lists/partial", "cache/archives/partial"):
        (apt / folder).mkdir(parents=True, exist_ok=True)
    (apt / "status").touch()
    (apt / "sources.list").write_text(f"deb [signed-by={KEYS}] http://deb.debian.org/debian {suite} main\n", encoding="utf-8")
    settings = {"APT::Architecture": arch, "APT::Architectures": arch, "Dir::State": apt, "Dir::State::status": apt / "status",
                "Dir::Cache": apt / "cache", "Dir::Etc::sourcelist": apt / "sources.list", "Dir::Etc::sourceparts": "/dev/null",
                "APT::Sandbox::User": "root", "Debug::NoLocking": "true"}
    options = [part for name, value in settings.items() for part in ("-o", f"{name}={value}")]
    _run("apt-get", *options, "update")
    _run("apt-get", *options, "--yes", "--no-install-recommends", "--download-only", "install", *packages)
    half = work / f"{into}.half"
    shutil.rmtree(half, ignore_errors=True)
    (half / "usr" / "lib").mkdir(parents=True)
    (half / "lib").symlink_to("usr/lib")                    # as base-files has it; some packages still say /lib
    for package in sorted((apt / "cache" / "archives").glob("*.deb")):
        with subprocess.Popen(["dpkg-deb", "--fsys-tarfile", package], stdout=subprocess.PIPE) as unpacking:
            subprocess.run(["tar", "-x", "-C", half, "--no-same-owner", "--keep-directory-symlink"], stdin=unpacking.stdout,
                           check=True)
    half.rename(work / into)


def _packages(work: Path, version: str) -> None:
    """The wheels for arm64 of what is installed here, in the same versions."""
    half = work / "packages.half"
    shutil.rmtree(half, ignore_errors=True)
    pip = (sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check")
    _run(*pip, "wheel", "--no-deps", "--wheel-dir", str(work / "wheels"), *_as_here(SOURCES))
    foreign = ("--target", str(half), "--only-binary=:all:", "--implementation", "cp", "--python-version", version,
               "--find-links", str(work / "wheels"), *(f"--platform={one}" for one in PLATFORMS))
    _run(*pip, "install", *foreign, *_as_here(WHEELS), *_as_here(SOURCES))
    _run(*pip, "install", *foreign, "--no-deps", *_as_here(ALONE))
    half.rename(work / "packages")


def _as_here(names: tuple[str, ...]) -> list[str]:
    return [f"{name}=={importlib.metadata.version(name)}" for name in names]


def _run(*command: str) -> None:
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    if done.returncode:
        raise CantRun(f"{' '.join(command)}\nended with {done.returncode}:\n{done.stdout[-2000:]}")


# --- comparing --------------------------------------------------------------------------------------------------------------


def listen(python: list[str], packages: list[Path], model: Path, work: Path, name: str, *options: str) -> dict[str, Any]:
    """What `hear` finds when that Python runs it; caches and settings of its own, so that nothing here is touched or used."""
    home, out = work / f"home-{name}", work / name
    shutil.rmtree(home, ignore_errors=True)
    home.mkdir()
    paths = os.pathsep.join(map(str, [ROOT, *packages]))
    surroundings = {key: value for key, value in os.environ.items() if not key.startswith(("XDG_", "PYTHON", "LD_"))}
    subprocess.run([*python, "-m", "tests.bench.arm64", str(model), "--hear", str(work / "clips"), "--out", str(out), *options],
                   check=True, cwd=ROOT,
                   env=surroundings | {"HOME": str(home), "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"})
    return json.loads(Path(f"{out}.json").read_text(encoding="utf-8"))


def compared(here: list[dict[str, Any]], there: list[dict[str, Any]]) -> tuple[list[str], bool]:
    """Lines about each kind of outcome; whether none differs by more than noise of one 16-bit step does here."""
    lines, fine = [], True
    for what, name in (("text", "vosk, strict grammar"), ("understood", "the station's ear: words, value, accepted")):
        pairs = [(one, other) for one, other in zip(here, there, strict=True) if what in one]
        differ = [(one, other) for one, other in pairs if one[what] != other[what]]
        lines.append(f"{name}: {len(pairs) - len(differ)} of {len(pairs)} the same")
        for one, other in differ:
            close = other[what] in one["near"][what]
            lines.append(f"  here {one[what]!r}, arm64 {other[what]!r}" + (", as here with noise of one step" if close else ""))
            fine = fine and close
    off = [[abs(a - b) for a, b in zip(word, word_there, strict=True)] for one, other in zip(here, there, strict=True)
           if one["text"] == other["text"] and len(one["words"]) == len(other["words"])
           for word, word_there in zip(one["words"], other["words"], strict=True)]
    if off:
        begins, ends, sure = map(max, zip(*off, strict=True))
        lines.append(f"{len(off)} words of vosk: begin and end at most {max(begins, ends):.3f} s apart, confidence {sure:.1g}")
    return lines, fine


def largest(work: Path, names: tuple[str, str]) -> list[str]:
    """Largest differences of the arrays, and their power beside the signal's."""
    import numpy as np

    off: dict[str, list[tuple[float, float]]] = {}
    with np.load(f"{work / names[0]}.npz") as here, np.load(f"{work / names[1]}.npz") as there:
        for key in here.files:
            apart = here[key] - there[key]
            off.setdefault(key.split()[0], []).append(
                (float(np.abs(apart).max()), 10 * float(np.log10((apart ** 2).mean() / (here[key] ** 2).mean() + 1e-20))))
    return [f"{what.replace('_', ' ')}: at most {max(most for most, _ in values):.2g} apart, "
            f"{max(power for _, power in values):.0f} dB" for what, values in off.items()]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.arm64", description=__doc__.splitlines()[0])
    parser.add_argument("model", nargs="?", type=Path, default=ROOT / "models" / "own", help="the own model (models/own)")
    parser.add_argument("--folder", type=Path, help="where all that is fetched is kept; else nothing is")
    parser.add_argument("--count", type=int, default=12, help="readings (12)")
    parser.add_argument("--ears", type=int, default=4, help="so many of them also by the whole ear, half a minute each (4)")
    parser.add_argument("--start", action="store_true", help="only rehearse the demo test, and compare every line")
    parser.add_argument("--near", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--hear", type=Path, help=argparse.SUPPRESS)            # what either machine is told
    parser.add_argument("--out", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.hear:
        hear(given.model, given.hear, given.out, given.ears, TRIALS if given.near else 0)
        return 0
    if not (given.model / "am" / "final.mdl").is_file():
        parser.error(f"{given.model} is no speech model; give the folder of one")
    with tempfile.TemporaryDirectory(prefix="bowlside-arm64-") as temporary:
        work = (given.folder or Path(temporary)).resolve()
        work.mkdir(parents=True, exist_ok=True)
        try:
            emulated = prepare(work)
        except CantRun as reason:
            print(reason, file=sys.stderr)
            return 2
        if given.start:
            return start(work, emulated)
        _keep_clips(work / "clips", given.count)
        model = given.model.resolve()
        ears = ("--ears", str(given.ears))
        here = listen([sys.executable], [], model, work, "here", "--near", *ears)
        there = listen(emulated, [work / "packages"], model, work, "arm64", *ears)
        lines, fine = compared(here["rows"], there["rows"])
        lines += largest(work, ("here", "arm64"))
    for name, heard in (("here", here), ("arm64", there)):
        print(f"{name}: {heard['machine']}; the ear: {heard['ear']}")
    print("\n".join(lines))
    return 0 if fine else 1


def started(python: list[str], packages: list[Path], work: Path, name: str) -> tuple[list[str], str]:
    """What `bowlside rehearse` prints of the demo test when that Python runs it, and what `log verify` says of its record."""
    home, journal = work / f"home-{name}", work / f"journal-{name}"
    for folder in (home, journal):
        shutil.rmtree(folder, ignore_errors=True)
    home.mkdir()
    outside = {key: value for key, value in os.environ.items() if not key.startswith(("XDG_", "PYTHON", "LD_", "BOWLSIDE"))}
    outside |= {"HOME": str(home), "PYTHONPATH": os.pathsep.join(map(str, [ROOT, *packages])), "PYTHONDONTWRITEBYTECODE": "1"}

    def bowlside(*command: str) -> str:
        # Not "-m assistant", which would set up an environment first.
        return subprocess.run([*python, "-m", "assistant.cli", *command, "--journal", str(journal)], check=True, cwd=ROOT,
                              env=outside, stdout=subprocess.PIPE, text=True).stdout
    lines = bowlside("rehearse", str(ROOT / "assistant/procedures/demo.jsonl"), "--answer-rest", "--json").splitlines()
    return lines, bowlside("log", "verify").strip()


def start(work: Path, emulated: list[str]) -> int:
    here, there = (started(python, packages, work, name) for python, packages, name in (
        ([sys.executable], [], "here"), (emulated, [work / "packages"], "arm64")))
    differ = [pair for pair in zip(*(lines for lines, _ in (here, there)), strict=False) if pair[0] != pair[1]]
    print(f"rehearsed: {len(here[0])} lines here, {len(there[0])} on arm64, {len(differ)} of them other ones")
    print(f"here {here[1]}\narm64 {there[1]}")
    for one, other in differ[:3]:
        print(f"  here {one}\n  arm64 {other}")
    return 0 if here[0] and here[0] == there[0] and here[1] == there[1] else 1


def _keep_clips(path: Path, count: int) -> None:
    """Readings of tuning voices, clean and in noise; then the same with the noise removed here, so that a denoiser which computes
    otherwise there is not taken for a difference of vosk."""
    from models.quieten import denoise
    from models.wav import RATE, to_pcm, to_sound
    from tests.bench.hearing import corpus

    clips = random.Random(1).sample([clip for clip in corpus.build(1, 1, "tune") if clip.group == "readings"], count)
    keep(path, [*clips, *(SimpleNamespace(group=CLEANED, expect=clip.expect, truth=clip.truth,
                                          pcm=to_pcm(denoise(to_sound(clip.pcm, RATE)))) for clip in clips)])


if __name__ == "__main__":
    sys.exit(main())
