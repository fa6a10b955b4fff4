"""Words and short rows of words cut out of what people say in one breath: `python -m models.training.cut PEOPLE FILE`.

Few people are recorded with a single "two", "three", "four", "six", "seven" or "nine"; many say them inside longer numbers. A
trained network says when each sound of the known text is loudest (the best way through CTC's states, Viterbi), and a cut lies
where it is quietest between the last sound of a word and the first of the next. FILE: JSON, "engine/number" -> clips.
"""

import json
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from models import locate
from models.encoder import STEP_S, Encoder
from models.training import texts
from models.training.corpus import speakers_in
from models.wav import RATE

ENGINES = ("an4",)
LONGEST_ROW = 3
"""Words of a piece; longer ones are there as they were spoken."""

LEAST = -3.0
"""Natural logarithm: a text whose sounds are on the average less likely than this at their best moments is not what was said."""

_UNIT = {sound: number for number, sound in enumerate(texts.SOUNDS, 1)}


def best_moments(log_probs: np.ndarray, units: list[int]) -> list[tuple[int, int]] | None:
    """First and last step of each unit on the most likely way through them; None: too few steps."""
    path = np.zeros(2 * len(units) + 1, int)
    path[1::2] = units
    skips = np.zeros(len(path), bool)
    skips[3::2] = path[3::2] != path[1:-2:2]
    score = np.full(len(path), -np.inf)
    score[:2] = log_probs[0, path[:2]]
    came = np.zeros((len(log_probs), len(path)), int)
    for step in range(1, len(log_probs)):
        ways = np.stack([score, np.r_[-np.inf, score[:-1]], np.where(skips, np.r_[-np.inf, -np.inf, score[:-2]], -np.inf)])
        came[step] = ways.argmax(0)
        score = ways.max(0) + log_probs[step, path]
    state = len(path) - 1 if score[-1] >= score[-2] else len(path) - 2
    if not np.isfinite(score[state]):
        return None
    spans: dict[int, list[int]] = {}
    for step in range(len(log_probs) - 1, -1, -1):
        if state % 2:
            spans.setdefault(state // 2, []).append(step)
        state -= came[step, state]
    return [(min(spans[unit]), max(spans[unit])) for unit in range(len(units))]


def pieces(sound: np.ndarray, text: str, log_probs: np.ndarray) -> list[dict]:
    """The words of `text` and its rows of up to LONGEST_ROW, with start and length in samples; none where it doesn't fit."""
    words = text.split()
    ways = [[_UNIT[sound] for sound in texts.dictionary()[word]] for word in words]
    units = [unit for way in ways for unit in way]
    moments = best_moments(log_probs, units)
    if moments is None:
        return []
    likely = np.mean([log_probs[first:last + 1, unit].max() for (first, last), unit in zip(moments, units, strict=True)])
    if likely < LEAST:
        return []
    power = np.convolve(sound.astype(np.float32) ** 2, np.full(320, 1 / 320), "same")
    ends, at = [0], 0
    for way in ways[:-1]:
        at += len(way)
        frm, to = (int(step * STEP_S * RATE) for step in (moments[at - 1][1], moments[at][0] + 1))
        ends.append(frm + int(power[frm:to].argmin()) if to > frm else frm)
    ends.append(len(sound))
    made = []
    for first in range(len(words)):
        for last in range(first + 1, min(len(words), first + LONGEST_ROW) + 1):
            if last - first < len(words):
                length = ends[last] - ends[first]
                if length > 0.1 * RATE:
                    made.append({"kind": "cut" if last - first == 1 else "row", "text": " ".join(words[first:last]),
                                 "start": ends[first], "length": length})
    return made


def cuts(folder: Path, hears: Callable[[np.ndarray], np.ndarray]) -> dict[str, list[dict]]:
    """Of every speaker in the folder, held ones too. hears: sound -> log probabilities (steps, units)."""
    by_speaker = {}
    for about in speakers_in(folder):
        if about["engine"] not in ENGINES:
            continue
        sound, _ = soundfile.read(about["sound"], dtype="float32")
        made = []
        for row in about["clips"]:
            words = row["text"].split()
            if row["kind"] != "spelled" and len(words) > 1 and all(word in texts.dictionary() for word in words):
                said = sound[row["start"]:row["start"] + row["length"]]
                made += [piece | {"start": piece["start"] + row["start"]}
                         for piece in pieces(said, row["text"], hears(said))]
        by_speaker[f"{about['engine']}/{about['number']:04d}"] = made
    return by_speaker


def main(people: Path, file: Path) -> None:
    encoder = Encoder(locate.PEOPLE / "encoder.npz")
    file.write_text(json.dumps(cuts(people, encoder.log_probs)), encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("python -m models.training.cut PEOPLE FILE")
    main(Path(sys.argv[1]), Path(sys.argv[2]))
