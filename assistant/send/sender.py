"""The sender: looks into the journal each second, and sends what is new, oldest first. One process; it only reads the record.

What the office has counts by its own word alone: a piece is sent when the office says that its database has committed it. At its start,
and whenever the journal or the office is not what it was, the sender offers everything, and sends what is wanted. So a power cut, a
backup that was restored here or there, and a second sender with the same record cost some time and nothing else.
"""
from __future__ import annotations

import json
import random
import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any, Protocol

from assistant.record.journal import JournalError
from assistant.send.office_link import KEY, OFFICE, SIGNAL, Answer, Link, NoAnswer
from assistant.send.outbox import Entry, Outbox
from assistant.send.piece import MOST_PIECES, Piece
from assistant.send.place import Place, Sent

LOOK_S = 1.0
"""Between two looks into the journal: a verdict is to be at the office within five seconds. Ours."""
BEAT_S = 60.0
"""Between two signs of life."""
MOST_WAIT_S = 300.0
"""Between two tries without a signal."""
KEY_S = 3600.0
"""Between two tries with a key that is not taken."""
AGAIN_S = 3600.0
"""Before what was refused is sent once more, or what the office lacks is looked for once more where it was not found. Ours."""
ROOM_S = 60.0
"""Before a file that could not be written is tried again. Ours."""
BATCH = 2**20
"""Bytes of a request, where one piece is not larger: over a weak signal a small step that is kept is worth more. Ours."""
JOURNAL, DISK = "journal", "disk"
"""What is in the way, beside SIGNAL, KEY and OFFICE."""


class Speaks(Protocol):
    """What is asked of the office (``office_link.Link``)."""

    def pieces(self, record: Any, newest: tuple[int, str], waiting: int, sent: str, pieces: Sequence[str]) -> Answer: ...
    def offers(self, record: Any, offered: Sequence[tuple[int, int, int, str]]) -> frozenset[str]: ...


class Sender:
    """``turn`` looks and, where it is time, asks the office one thing.

    tell   takes a sentence, once for each trouble
    clock  s, for what is waited for; wall: the time of day, for what is told
    """

    def __init__(self, sent: Sent, outbox: Outbox, link: Speaks, tell: Callable[[str], None] = print,
                 clock: Callable[[], float] = time.monotonic, wall: Callable[[], datetime] = lambda: datetime.now().astimezone(),
                 chance: Callable[[], float] = random.random) -> None:
        self.sent, self.outbox, self.link = sent, outbox, link
        self._tell, self._clock, self._wall, self._chance = tell, clock, wall, chance
        self.place = sent.place()
        self._done: set[str] = set()
        """Hashes beyond the place that the office has, or has refused."""
        self._said = {(digest, str(refused["why"])) for digest, refused in self.place.refused.items()}
        self._offered, self._file = False, 0
        self._lacked: frozenset[str] = frozenset()
        self._lacked_at = self._kept_at = self._look_at = self._try_at = self._beat_at = float("-inf")
        self._tries, self._most = 0, MOST_PIECES
        self._kept: Place | None = self.place
        before = sent.told()
        self._trouble: tuple[str, str] = ("", "")
        self._before, self._since = (str(before.get("kind", "")), str(before.get("since", ""))), ""
        self._answered = str(before.get("answered", ""))
        self._told: dict[str, Any] = {}
        self._unread = 0

    # --- one turn -----------------------------------------------------------------------------------------------------------

    def turn(self) -> float:
        """Returns: s until the next."""
        more = False
        try:
            self._look()
            if self.outbox.record is not None and self._clock() >= self._try_at:
                more = self._ask()
        except JournalError as error:
            self._unread += 1
            if self._unread > 2:    # once or twice: the station has just begun or ended
                self._is_wrong(JOURNAL, str(error))
        except NoAnswer as error:
            self._failed(error)
        else:
            self._unread = 0
            self._is_right(JOURNAL)
        self._keep()
        self._publish()
        return 0.0 if more else LOOK_S

    def _look(self) -> None:
        before, again = len(self.outbox.entries), self._clock() >= self._look_at
        if again:
            self._look_at = self._clock() + BEAT_S
        if self.outbox.look(again) and self.outbox.record is not None:
            self._fit()
            if len(self.outbox.entries) > before and self._trouble[0] == SIGNAL:     # a test is over: perhaps there is a signal now
                self._try_at, self._tries = float("-inf"), 0

    @property
    def waiting(self) -> list[Entry]:
        """What the office has not, oldest first."""
        return [entry for entry in beyond(self.outbox, self.place) if entry.hash not in self._done]

    @property
    def trouble(self) -> str:
        """What is in the way, and what to do; empty: nothing."""
        return self._trouble[1]

    def _fit(self) -> None:
        """Whether the place is one of this journal. Where not, the office says what it has; so it does where a copy took the
        journal's place, in which a test may be whole again."""
        if self._file not in (0, self.outbox.file):
            self._offered = False
        self._file = self.outbox.file
        if not fits(self.place, self.outbox):
            record = str(self.outbox.record or "")
            refused = self.place.refused if record == self.place.record else {}
            self.place, self._done, self._offered = Place(record, refused=refused), set(), False

    def _ask(self) -> bool:
        """Whether there is more to do at once."""
        if not self._offered:
            self._offer()
            return True
        if waiting := self.waiting[:self._most]:
            self._send(waiting)
            return True
        if self._clock() >= self._beat_at:
            self._took(self._post(0, []))
            return not self._offered
        return False

    def _offer(self) -> None:
        entries = self.outbox.entries
        wanted = self.link.offers(self.outbox.record, [(abs(entry.test) or 1, entry.first, entry.last, entry.hash) for entry in entries])
        if self._begun:     # whatever was refused: by now it may have been taken, from a copy, or after an upgrade here
            wanted = wanted.union(self.place.refused)
        refused = {digest: why for digest, why in self.place.refused.items() if digest not in wanted or not self._once_more(why)}
        self._done = {entry.hash for entry in entries if entry.hash not in wanted}
        self.place = Place(str(self.outbox.record), refused=refused, count=len(self._done))
        self._offered = True
        self._go_on()
        self._answers()

    @property
    def _begun(self) -> bool:
        """Since its start the office lacked nothing."""
        return self._lacked_at == float("-inf")

    def _once_more(self, refused: Any) -> bool:
        """What was refused is tried again when the sender starts, and then each hour: the office may have been upgraded."""
        return self._begun or self._wall().timestamp() - refused["at"] >= AGAIN_S

    def _send(self, entries: Sequence[Entry]) -> None:
        texts: list[str] = []
        pieces: list[Piece] = []
        for piece in self.outbox.pieces(entries):
            text = json.dumps(piece.plain(), ensure_ascii=False, separators=(",", ":"))
            if texts and sum(map(len, texts)) + len(text) > BATCH:
                break
            texts.append(text)
            pieces.append(piece)
        try:
            answer = self._post(len(pieces), texts)
        except NoAnswer as error:
            if error.status not in (HTTPStatus.REQUEST_ENTITY_TOO_LARGE, HTTPStatus.REQUEST_TIMEOUT):
                raise
            self._most = max(1, len(pieces) // 2)
            if len(pieces) > 1:
                return
            if error.status == HTTPStatus.REQUEST_TIMEOUT:
                raise
            answer = Answer(frozenset(), {pieces[0].hash: str(error)}, frozenset())
        self._most = MOST_PIECES if answer.committed else self._most
        progress = False
        for entry, piece in zip(entries, pieces):
            if why := answer.refused.get(piece.hash):
                self._refused(entry, why)
            elif piece.hash in answer.committed:
                self.place = replace(self.place, count=self.place.count + 1)
            else:
                continue
            self._done.add(entry.hash)
            progress = True
        if not progress:
            raise NoAnswer("The office neither took nor refused what was sent: upgrade the older of the two programs.", OFFICE)
        self._go_on()
        self._took(answer)

    def _post(self, count: int, texts: Sequence[str]) -> Answer:
        return self.link.pieces(self.outbox.record, self.outbox.newest, len(self.waiting) - count, self.place.hash, texts)

    def _refused(self, entry: Entry, why: str) -> None:
        at, test = self._wall().timestamp(), abs(entry.test)
        if (entry.hash, why) not in self._said:
            self._said.add((entry.hash, why))
            self._tell(f"The office did not take test {test}: {why}")
        self.place = replace(self.place, refused={**self.place.refused, entry.hash: {"test": test, "why": why, "at": at}})

    def _took(self, answer: Answer) -> None:
        """An answer is a sign of life."""
        self._beat_at = self._clock() + BEAT_S
        self._answers()
        lacks = frozenset(digest for digest in answer.lacks
                          if digest not in self.place.refused or self._once_more(self.place.refused[digest]))
        if lacks and (lacks != self._lacked or self._clock() >= self._lacked_at):
            self._lacked, self._lacked_at, self._offered = lacks, self._clock() + AGAIN_S, False

    def _go_on(self) -> None:
        """The place moves on over what is done."""
        for entry in self.outbox.entries:
            if entry.last > self.place.seq:
                if entry.hash not in self._done and entry.hash not in self.place.refused:
                    break
                self.place = replace(self.place, seq=entry.last, hash=entry.hash)

    # --- what is in the way -------------------------------------------------------------------------------------------------

    def _failed(self, error: NoAnswer) -> None:
        self._tries += 1
        wait = KEY_S if error.kind == KEY else min(MOST_WAIT_S, 2.0 ** min(self._tries, 20))
        self._try_at = self._clock() + max(error.after_s if error.after_s <= KEY_S else KEY_S, wait * (0.5 + self._chance() / 2))
        self._is_wrong(error.kind, str(error))

    def _is_wrong(self, kind: str, words: str) -> None:
        if self._trouble[0] != kind:
            self._since = self._before[1] if self._before[0] == kind and self._before[1] else self._now()
        if self._trouble != (kind, words):
            self._tell(words)
        self._trouble = (kind, words)

    def _is_right(self, *kinds: str) -> None:
        if self._trouble[0] in kinds:
            self._tell("The record can be read again." if JOURNAL in kinds else "The office answers.")
            self._trouble, self._since = ("", ""), ""

    def _answers(self) -> None:
        self._answered, self._before = self._now(), ("", "")
        self._is_right(SIGNAL, KEY, OFFICE)
        self._tries, self._try_at = 0, float("-inf")

    def _keep(self) -> None:
        """What can't be kept is asked for again, at the next start, from the office."""
        if self._kept == self.place or self._clock() < self._kept_at:
            return
        try:
            self.sent.keep(self.place)
        except OSError as error:
            self._kept_at = self._clock() + ROOM_S
            self._is_wrong(DISK, f"{self.sent.path} can't be written ({error.strerror}): make room. Nothing is lost, and it goes on sending.")
            return
        self._kept = self.place
        if self._trouble[0] == DISK:
            self._trouble, self._since = ("", ""), ""

    def _publish(self) -> None:
        """Only when it is another, since each time costs the card: the last answer is no news of its own within ten minutes."""
        waiting = self.waiting
        told = {"record": str(self.outbox.record or ""), "waiting": len(waiting), "kind": self._trouble[0], "trouble": self._trouble[1],
                "since": self._since, "refused": len(self.place.refused)}
        before = {name: self._told.get(name) for name in told}
        if told == before and self._told.get("answered", "")[:15] == self._answered[:15]:
            return
        self._told = {**told, "answered": self._answered}
        try:
            self.sent.tell(self._told)
        except OSError:
            pass    # _keep tells of a full disk

    def _now(self) -> str:
        return self._wall().isoformat(timespec="seconds")


def fits(place: Place, outbox: Outbox) -> bool:
    """Whether this place is one of this journal, or nothing was ever sent of it."""
    if place.record != str(outbox.record or ""):
        return False
    return place.seq == 0 or any((entry.last, entry.hash) == (place.seq, place.hash) for entry in outbox.entries)


def beyond(outbox: Outbox, place: Place) -> list[Entry]:
    """What lies beyond the place, but for what was refused."""
    entries = outbox.entries
    at = bisect_right(entries, place.seq, key=lambda entry: entry.last)
    return [entry for entry in entries[at:] if entry.hash not in place.refused]


def begun(sent: Sent, journal: Path, tell: Callable[[str], None] = print) -> Sender:
    """Of a station that is enrolled."""
    office = sent.office()
    if office is None:
        raise ValueError(sent.path)
    return Sender(sent, Outbox(journal, office.practice), Link(office.address, sent.key(), sent.authority()), tell)


def run(sent: Sent, journal: Path, tell: Callable[[str], None] = print, wait: Callable[[float], None] = time.sleep) -> None:
    """For ever. A station that is not enrolled yet is waited for, and one that is enrolled anew goes on with its new key."""
    enrolled, sender = -1, None
    while True:
        if (now := sent.enrolled_at()) != enrolled:
            enrolled = now
            if office := sent.office():
                sender = begun(sent, journal, tell)
                tell(f"Sends {journal} to {office.office}, {office.address}, as {office.name}.")
            elif sender is None:
                tell("This station is not enrolled at an office yet: bowlside send enrol ADDRESS --code CODE. It begins then.")
        wait(LOOK_S if sender is None else sender.turn())
