"""A grammar of ours for any stock vosk model, in which the order and the number of words are law.

vosk's own runtime grammar only counts which word follows which, so "two two two" may come back as "two two". But it
composes the model's graph/HCLr.fst with graph/Gr.fst, and Gr.fst may be any acceptor over words. So: a folder that
shares everything with the user's model by links, except a Gr.fst, a words.txt and a conf/model.conf of our own.
"""

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from models import fst
from models.grammar import UNKNOWN, Automaton

FORM = 1
"""Part of the key: a change of what is written here makes the folders of earlier versions stale."""

KEPT = 4
"""Folders kept in the cache; the ones used longest ago go. Each holds some kilobytes and links."""

NO_SPLIT = {f"--endpoint.rule{n}.min-trailing-silence": "20" for n in (1, 2, 3, 4)} | {
    "--endpoint.rule5.min-utterance-length": "120"}
"""The listener has cut the utterance already, by time counted in audio: vosk must not cut it a second time in the middle
of a number (its own rules end it after 0.5 s of silence). Longer than any sound that reaches it."""

SMALL_BOARD = {"--max-active": "3000", "--beam": "10.0", "--lattice-beam": "2.0"}
"""What vosk's maintainers advise for a Raspberry Pi (vosk-api issue 1088)."""


class NotStrict(Exception):
    """This model can't take a grammar of ours. The message is a sentence."""


@dataclass(frozen=True)
class Acceptor:
    """A deterministic automaton over words; state 0 starts."""

    arcs: tuple[tuple[tuple[str, int], ...], ...]
    """For each state the (word, next state) that leave it, sorted."""

    finals: frozenset[int]

    def accepts(self, words: Iterable[str]) -> bool:
        at = 0
        for said in words:
            following = dict(self.arcs[at]).get(said)
            if following is None:
                return False
            at = following
        return at in self.finals

    @property
    def words(self) -> list[str]:
        return sorted({word for leaving in self.arcs for word, _ in leaving})


def acceptor(grammar: Automaton, *, without: Iterable[str] = (), unknown: bool = False, empty: bool = True) -> Acceptor:
    """The sentences of `grammar` less those that use a word of `without`, and with `empty` the empty sentence.

    The empty one so that silence need not become words, and so that nothing need follow a sentence. unknown: also any
    number of `[unk]` in a row, for a model that has this word.
    """
    barred = set(without)
    straight: dict[int, set[int]] = {}
    said: dict[int, dict[str, set[int]]] = {}
    for frm, word, to in grammar.arcs:
        if word is None:
            straight.setdefault(frm, set()).add(to)
        elif word not in barred:
            said.setdefault(frm, {}).setdefault(word, set()).add(to)

    def reached(states: Iterable[int]) -> frozenset[int]:
        closure, rest = set(states), list(states)
        while rest:
            more = straight.get(rest.pop(), set()) - closure
            closure |= more
            rest += more
        return frozenset(closure)

    numbers = {reached({grammar.start}): 0}
    order = list(numbers)
    arcs: list[dict[str, int]] = []
    for states in order:                                    # grows while it is walked
        leaving: dict[str, set[int]] = {}
        for state in states:
            for word, targets in said.get(state, {}).items():
                leaving.setdefault(word, set()).update(targets)
        arcs.append({})
        for word, targets in sorted(leaving.items()):
            target = reached(targets)
            if target not in numbers:
                numbers[target] = len(order)
                order.append(target)
            arcs[-1][word] = numbers[target]
    finals = {numbers[states] for states in order if grammar.end in states}
    arcs, finals = _without_dead_ends(arcs, finals | ({0} if empty else set()))
    if unknown:
        arcs[0][UNKNOWN] = len(arcs)
        finals.add(len(arcs))
        arcs.append({UNKNOWN: len(arcs)})
    return Acceptor(tuple(tuple(sorted(leaving.items())) for leaving in arcs), frozenset(finals))


def _without_dead_ends(arcs: list[dict[str, int]], finals: set[int]) -> tuple[list[dict[str, int]], set[int]]:
    """Only states from which a sentence can still be finished, the start always: the search would follow the others."""
    good, size = set(finals), -1
    while size != len(good):
        size = len(good)
        good |= {state for state, leaving in enumerate(arcs) if good & set(leaving.values())}
    new = {old: number for number, old in enumerate(sorted(good | {0}))}
    return ([{word: new[to] for word, to in arcs[old].items() if to in good} for old in sorted(new)],
            {new[old] for old in finals})


def why_not(folder: Path) -> str | None:
    """What keeps a grammar of ours out of this model, as the end of a sentence; None: nothing does.

    vosk composes a model's graph when it loads only where graph/HCLr.fst and Gr.fst are, and reads its settings from
    conf/model.conf only in the layout with subfolders.
    """
    if not (folder / "am/final.mdl").is_file():
        if (folder / "final.mdl").is_file():
            return "has the older layout without subfolders, whose settings can't be changed; a newer small vosk model can"
        return "has no am/final.mdl; install it again"
    if not ((folder / "graph/HCLr.fst").is_file() and (folder / "graph/Gr.fst").is_file()):
        if (folder / "graph/HCLG.fst").is_file():
            return "has a fixed graph; a small vosk model (graph/HCLr.fst with Gr.fst) can"
        return "has no graph/HCLr.fst with Gr.fst; install it again"
    if not (folder / "conf/model.conf").is_file():
        return "has no conf/model.conf; install it again"
    return None


def strict_model(folder: Path, sentences: Acceptor, ids: Mapping[str, int], settings: Mapping[str, str] = NO_SPLIT,
                 cache: Path | None = None, *, anew: bool = False) -> Path:
    """A folder that vosk loads as the model in `folder` with the grammar `sentences`; made, or found as made earlier.

    ids: the model's word ids, which must have every word of the grammar. settings: lines of conf/model.conf put over
    the model's own. cache: where such folders are kept, $XDG_CACHE_HOME/bowlside/strict if None; one that can't be
    written is replaced by a temporary folder. anew: make it in any case. The model's own folder is only read.
    Raises NotStrict.
    """
    if (reason := why_not(folder)) is not None:
        raise NotStrict(f"The model {folder.name} can't be held to our order of words: it {reason}.")
    folder = folder.resolve()
    try:
        names = files_of(folder)
        key = _key(folder, names, sentences, settings)
        written = _written(folder, sentences, ids, settings)
        try:
            return _kept(cache or cache_folder(), key, folder, names, written, anew)
        except OSError:
            own = Path(tempfile.gettempdir()) / f"bowlside-strict-{os.getuid()}"
            return _kept(own, key, folder, names, written, anew)
    except OSError as error:
        raise NotStrict(f"No grammar could be written for the model {folder.name} ({error.strerror or error}); "
                        "make room in the cache folder, then start again.") from None


def cache_folder() -> Path:
    """``$XDG_CACHE_HOME/bowlside/strict``, or in ``~/.cache``. (XDG Base Directory Specification 0.8)"""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "bowlside" / "strict"


def files_of(folder: Path) -> list[str]:
    """Every file in a model's folder and in folders linked into it, by its path within. Raises OSError."""
    def refuse(error: OSError) -> None:
        raise error

    paths = []
    above = {str(folder): frozenset(folder.resolve().parents)}
    for root, folders, files in os.walk(folder, followlinks=True, onerror=refuse):
        here = Path(root).resolve()
        way = above.pop(root) | {here}
        folders[:] = [name for name in folders if (here / name).resolve() not in way]      # a link back makes a ring
        above |= {os.path.join(root, name): way for name in folders}
        paths += [Path(root, name).relative_to(folder).as_posix() for name in files if Path(root, name).is_file()]
    return sorted(paths)


def _key(folder: Path, names: list[str], sentences: Acceptor, settings: Mapping[str, str]) -> str:
    """Of everything the result depends on: which model, whether it was changed since, the grammar, the settings."""
    stats = [(folder / name).stat() for name in names]
    stamps = [(name, stat.st_size, stat.st_mtime_ns) for name, stat in zip(names, stats, strict=True)]
    all_of_it = [FORM, str(folder), stamps, sentences.arcs, sorted(sentences.finals), sorted(settings.items())]
    return hashlib.sha256(json.dumps(all_of_it).encode()).hexdigest()[:24]


def _written(folder: Path, sentences: Acceptor, ids: Mapping[str, int], settings: Mapping[str, str]) -> dict[str, bytes]:
    """The files that are ours, by their path within the folder: some kilobytes."""
    words = "<eps> 0\n" + "".join(f"{word} {ids[word]}\n" for word in sentences.words)
    graph = fst.acceptor_bytes([[(ids[word], 0.0, to) for word, to in leaving] for leaving in sentences.arcs],
                               dict.fromkeys(sentences.finals, 0.0))
    given = (folder / "conf/model.conf").read_text(encoding="utf-8").splitlines()
    lines = [line for line in given if line.split("=")[0].strip() not in settings]
    lines += [f"{name}={value}" for name, value in settings.items()]
    return {"graph/words.txt": words.encode(), "graph/Gr.fst": graph, "conf/model.conf": ("\n".join(lines) + "\n").encode()}


def _is_whole(place: Path, folder: Path, names: list[str], written: Mapping[str, bytes]) -> bool:
    """Whether all of it is there as it should be: after a power cut a file may be empty, and vosk loads an empty grammar."""
    try:
        return (all((place / name).read_bytes() == content for name, content in written.items())
                and all((place / name).stat().st_size == (folder / name).stat().st_size for name in names if name not in written))
    except OSError:
        return False


def _kept(cache: Path, key: str, folder: Path, names: list[str], written: Mapping[str, bytes], anew: bool) -> Path:
    place = cache / key
    if anew or not _is_whole(place, folder, names, written):
        cache.mkdir(parents=True, exist_ok=True, mode=0o700)
        if cache.stat().st_uid != os.getuid():
            raise PermissionError(13, "the folder belongs to somebody else", str(cache))
        with tempfile.TemporaryDirectory(dir=cache, prefix=".making-") as work:
            _build(Path(work) / key, folder, names, written)
            shutil.rmtree(place, ignore_errors=True)
            try:
                (Path(work) / key).rename(place)
            except OSError:                                 # another process was quicker: its folder is the same
                if not _is_whole(place, folder, names, written):
                    raise
        _keep_folder(cache)
    _mark_used(place)
    _forget_old(cache, place)
    return place


def _build(place: Path, folder: Path, names: list[str], written: Mapping[str, bytes]) -> None:
    """All of it is on the disk when this returns: the rename that follows must not come before it after a power cut."""
    for name in sorted({*names, *written}):
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        if name in written:
            with (place / name).open("wb") as file:
                file.write(written[name])
                file.flush()
                os.fsync(file.fileno())
        else:
            share(folder / name, place / name)
    for root, _, _ in os.walk(place, topdown=False):
        _keep_folder(Path(root))


def _keep_folder(folder: Path) -> None:
    """Its entries to the disk; not every file system can, and what is not whole later is made again."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def share(path: Path, link: Path) -> None:
    """Make `link` the same file as `path`, without copying where the file system can."""
    try:
        link.symlink_to(path)
    except OSError:                                         # a file system without links
        shutil.copyfile(path, link)


def _mark_used(place: Path) -> None:
    with suppress(OSError):                                 # only the order of forgetting suffers
        os.utime(place)


def _forget_old(cache: Path, used: Path) -> None:
    """Best effort: another process may be tidying at the same moment. A loaded model needs its folder no more."""
    with suppress(OSError):
        others = [folder for folder in cache.iterdir() if folder != used and not folder.name.startswith(".")]
        for old in sorted(others, key=lambda folder: folder.stat().st_mtime, reverse=True)[KEPT - 1:]:
            shutil.rmtree(old, ignore_errors=True)
