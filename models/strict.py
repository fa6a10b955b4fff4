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


def acceptor(grammar: Automaton, *, without: Iterable[str] = (), unknown: bool = False) -> Acceptor:
    """The sentences of `grammar` less those that use a word of `without`, and the empty sentence.

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
        found, rest = set(states), list(states)
        while rest:
            more = straight.get(rest.pop(), set()) - found
            found |= more
            rest += more
        return frozenset(found)

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
    arcs, finals = _without_dead_ends(arcs, finals | {0})
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


def can_be_strict(folder: Path) -> bool:
    """Whether vosk composes this model's graph when it loads, and reads its settings from conf/model.conf."""
    return all((folder / name).is_file() for name in ("am/final.mdl", "conf/model.conf", "graph/HCLr.fst", "graph/Gr.fst"))


def strict_model(folder: Path, sentences: Acceptor, ids: Mapping[str, int], settings: Mapping[str, str] = NO_SPLIT,
                 cache: Path | None = None) -> Path:
    """A folder that vosk loads as the model in `folder` with the grammar `sentences`; made, or found as made earlier.

    ids: the model's word ids, which must have every word of the grammar. settings: lines of conf/model.conf put over
    the model's own. cache: where such folders are kept, $XDG_CACHE_HOME/bowlside/strict if None; one that can't be
    written is replaced by a temporary folder. The model's own folder is only read. Raises NotStrict.
    """
    if not can_be_strict(folder):
        raise NotStrict(f"The model {folder.name} has a fixed graph, so the order of words can't be enforced in it; "
                        "a small vosk model (graph/HCLr.fst with Gr.fst) can.")
    folder = folder.resolve()
    try:
        key = _key(folder, sentences, settings)
        try:
            return _kept(cache or cache_folder(), key, folder, sentences, ids, settings)
        except OSError:
            return _kept(Path(tempfile.gettempdir()) / f"bowlside-strict-{os.getuid()}", key, folder, sentences, ids, settings)
    except OSError as error:
        raise NotStrict(f"No grammar could be written for the model {folder.name} ({error.strerror or error}); "
                        "make room in the cache folder, then start again.") from None


def cache_folder() -> Path:
    """``$XDG_CACHE_HOME/bowlside/strict``, or in ``~/.cache``. (XDG Base Directory Specification 0.8)"""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "bowlside" / "strict"


def _key(folder: Path, sentences: Acceptor, settings: Mapping[str, str]) -> str:
    """Of everything the result depends on: which model, whether it was changed since, the grammar, the settings."""
    stamps = [(str(path.relative_to(folder)), path.stat().st_size, path.stat().st_mtime_ns)
              for path in sorted(folder.rglob("*")) if path.is_file()]
    all_of_it = [FORM, str(folder), stamps, sentences.arcs, sorted(sentences.finals), sorted(settings.items())]
    return hashlib.sha256(json.dumps(all_of_it).encode()).hexdigest()[:24]


def _kept(cache: Path, key: str, folder: Path, sentences: Acceptor, ids: Mapping[str, int],
          settings: Mapping[str, str]) -> Path:
    place = cache / key
    if not (place / "am" / "final.mdl").is_file():
        cache.mkdir(parents=True, exist_ok=True, mode=0o700)
        if cache.stat().st_uid != os.getuid():
            raise PermissionError(13, "the folder belongs to somebody else", str(cache))
        with tempfile.TemporaryDirectory(dir=cache, prefix=".making-") as work:
            _build(Path(work) / key, folder, sentences, ids, settings)
            shutil.rmtree(place, ignore_errors=True)
            try:
                (Path(work) / key).rename(place)
            except OSError:                                 # another process was quicker: its folder is the same
                if not (place / "am" / "final.mdl").is_file():
                    raise
    _mark_used(place)
    _forget_old(cache, place)
    return place


def _build(place: Path, folder: Path, sentences: Acceptor, ids: Mapping[str, int], settings: Mapping[str, str]) -> None:
    ours = {"graph/Gr.fst", "graph/words.txt", "conf/model.conf"}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if path.is_file() and name.as_posix() not in ours:
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            _share(path, place / name)
    (place / "conf").mkdir(parents=True, exist_ok=True)
    words = sentences.words
    (place / "graph/words.txt").write_text("<eps> 0\n" + "".join(f"{word} {ids[word]}\n" for word in words), encoding="utf-8")
    fst.write_acceptor(place / "graph/Gr.fst",
                       [[(ids[word], 0.0, to) for word, to in leaving] for leaving in sentences.arcs],
                       dict.fromkeys(sentences.finals, 0.0))
    given = (folder / "conf/model.conf").read_text(encoding="utf-8").splitlines()
    lines = [line for line in given if line.split("=")[0].strip() not in settings]
    lines += [f"{name}={value}" for name, value in settings.items()]
    (place / "conf/model.conf").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _share(path: Path, link: Path) -> None:
    try:
        link.symlink_to(path)
    except OSError:                                         # a file system without links
        shutil.copyfile(path, link)


def _mark_used(place: Path) -> None:
    try:
        os.utime(place)
    except OSError:                                         # only the order of forgetting suffers
        pass


def _forget_old(cache: Path, used: Path) -> None:
    """Best effort: another process may be tidying at the same moment. A loaded model needs its folder no more."""
    try:
        others = [one for one in cache.iterdir() if one != used and not one.name.startswith(".")]
        for old in sorted(others, key=lambda one: one.stat().st_mtime, reverse=True)[KEPT - 1:]:
            shutil.rmtree(old, ignore_errors=True)
    except OSError:
        pass
