"""Sample files as the station publishes them, for tests of the board alone. Everything in them is invented."""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

from hardware.clock import boot_now

STAGES = ["Zero the gauge", "Leak hold", "Fill the bowl", "Run 1", "Run 2", "Wash the bowl"]


def now(seq: int = 1, at: float | None = None, **changes: Any) -> dict[str, Any]:
    """A leak hold with a minute gone, unless changed."""
    return {
        "schema": 1,
        "run": "a1b2c3",
        "seq": seq,
        "at": boot_now() if at is None else at,
        "station": "Tern Hollow 2",
        "practice": True,
        "state": "testing",
        "title": "Sequential pressure test, leak hold",
        "do": "Hold. Do not touch the meter.",
        "next": "Read the gauge.",
        "caution": "The chamber is under pressure. Keep your face away from the lid.",
        "kind": "hold",
        "step": 12,
        "steps": 58,
        "stages": [{"name": name, "done": n < 1, "now": n == 1} for n, name in enumerate(STAGES)],
        "clock": {"name": "Leak hold", "left_s": 231.4, "of_s": 300.0},
        "round": [
            {"name": "Slump", "left_s": 122.0, "late": False, "done": False},
            {"name": "Temperature", "left_s": None, "late": False, "done": True},
            {"name": "Air", "left_s": 0.0, "late": True, "done": False},
        ],
        "curve": {"unit": "psi", "points": [[t, round(45.21 - 0.0004 * t - 0.03 * (1 - 0.97**t), 3)] for t in range(0, 68, 2)]},
        "readings": [
            {"name": "Leak charge", "id": "leak.charge", "value": "45.25", "unit": "psi", "how": "said, read back, confirmed"},
            {"name": "Initial reading", "id": "leak.initial", "value": "45.21", "unit": "psi", "how": "keyed twice"},
        ],
        "verdict": None,
        "day": 1,
        **changes,
    }


PASSED = {
    "word": "PASS",
    "why": "air content 5.7 % and system air metric 0.20 are within the job's limits",
    "results": [
        {"name": "Air content", "value": "5.7", "unit": "%"},
        {"name": "System air metric", "value": "0.20", "unit": "psi"},
    ],
}


def day(count: int = 3) -> dict[str, Any]:
    tests = [
        {
            "number": n,
            "title": "Sequential pressure test",
            "at": f"{8 + n:02}:14",
            "ticket": f"4011{n}",
            "verdict": "FAIL" if n == 2 else "PASS",
            "results": PASSED["results"],
            "why": "System air metric 0.31 is above 0.20." if n == 2 else "All within the job's limits.",
            "check_test": n == 3,
            "practice": n == 1,
            "withheld": False,
            "pdf": f"test-{n}.pdf",
            "page": f"test-{n}.json",
        }
        for n in range(1, count + 1)
    ]
    points = [[f"{n}", f"{5.5 + (n * 7 % 5) / 10:.1f}"] for n in range(1, 9)]
    return {
        "schema": 1,
        "date": "2026-11-29",
        "station": "Tern Hollow 2",
        "marks": ["INVENTED DEMONSTRATION"],
        "tests": tests,
        "charts": [
            {"title": "Air content", "unit": "%", "points": points, "lower": "4.5", "upper": "7.5", "target": "6.0"},
            {
                "title": "System air metric",
                "unit": "psi",
                "points": [["1", "0.18"], ["2", "0.31"], ["3", "0.19"]],
                "lower": None,
                "upper": "0.20",
                "target": None,
            },
        ],
    }


def one_test(number: int) -> dict[str, Any]:
    return {
        "schema": 1,
        "number": number,
        "title": "Sequential pressure test",
        "started": "2026-11-29 09:02",
        "outcome": "done",
        "marks": [],
        "labels": [["job", "Tern Hollow footbridge (invented)"], ["ticket", f"4011{number}"]],
        "verdict": "PASS",
        "why": "All within the job's limits.",
        "results": PASSED["results"],
        "more": [{"name": "Gain, run 1", "value": "0.10 psi"}],
        "table": [],
        "readings": now()["readings"],
        "doubts": ["Doubted: the initial reading is far from the charge."],
        "notes": ["09:10  not taken, charge: 41.00 psi, out of its band."],
    }


def put(folder: Path, name: str, data: Any) -> None:
    """Beside, then renamed over, as the station does."""
    folder.mkdir(parents=True, exist_ok=True)
    half = folder / f".{name}.new"
    half.write_bytes(data if isinstance(data, bytes) else json.dumps(data).encode())
    os.replace(half, folder / name)


def whole(folder: Path, **changes: Any) -> None:
    """A day of three tests and what happens now."""
    put(folder, "day.json", day())
    for number in (1, 2, 3):
        put(folder, f"test-{number}.json", one_test(number))
        put(folder, f"test-{number}.pdf", PDF)
    put(folder, "now.json", now(**changes))


PDF = (
    b"%PDF-1.4\n1 0 obj<</Type/Catalog/Pages 2 0 R>>endobj\n2 0 obj<</Type/Pages/Kids[3 0 R]/Count 1>>endobj\n"
    b"3 0 obj<</Type/Page/Parent 2 0 R/MediaBox[0 0 200 200]>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF\n"
)


if __name__ == "__main__":  # python -m tests.board.publisher FOLDER: a leak hold that goes on, to look at
    folder, began = Path(sys.argv[1]), boot_now()
    whole(folder)
    for seq in range(2, 400):
        gone = boot_now() - began
        points = [[t, round(45.21 - 0.0004 * t - 0.03 * (1 - 0.97**t), 3)] for t in range(0, int(gone) + 1)]
        put(
            folder,
            "now.json",
            now(seq, clock={"name": "Leak hold", "left_s": 300 - gone, "of_s": 300.0}, curve={"unit": "psi", "points": points}),
        )
        time.sleep(1)
