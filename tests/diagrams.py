"""`python -m tests.diagrams`: the two diagrams in DEVELOPERS.md, from the code.

Rooms: who looks into whom, from the imports; an arrow that follows from others, and commands, which may look anywhere, are left out. Phases: what the dialogue goes through while a technician cooperates, from a walk through
each test.
"""
from __future__ import annotations

import re
from pathlib import Path

from assistant.core.state import Phase
from assistant.procedures import names
from tests.property.test_never_stuck import Walk
from tests.unit.test_arrows import ABOVE_ALL, EVERYONE, OURS, room

PAGE = Path(__file__).resolve().parents[1] / "DEVELOPERS.md"
STEPS = 4000


def _room(module: str) -> str:
    return "core" if room(module) == "methods" else room(module)


def rooms() -> str:
    arrows = {(_room(module), _room(other)) for module, others in OURS.items()
              if module not in ABOVE_ALL and not module.endswith(".commands") for other in others}
    arrows = {(here, there) for here, there in arrows if here != there and "assistant" not in (here, there) and there not in EVERYONE}
    straight = {(here, there) for here, there in arrows
                if not any((here, between) in arrows and (between, there) in arrows for between in {there for _, there in arrows})}
    return "graph TD\n" + "".join(f"    {here} --> {there}\n" for here, there in sorted(straight))


def phases() -> str:
    seen = set()
    for test in names():
        walk = Walk(1, 0.0, test)
        for _ in range(STEPS):
            before = walk.state.phase
            if before is Phase.OVER:
                break
            walk.one()
            if walk.state.phase is not before:
                seen.add((before.value, walk.state.phase.value))
    return "stateDiagram-v2\n    [*] --> tell\n" + "".join(f"    {here} --> {there}\n" for here, there in sorted(seen)) + "    over --> [*]\n"


def with_diagrams(page: str) -> str:
    for name, drawn in (("rooms", rooms()), ("phases", phases())):
        page = re.sub(f"(<!-- {name}: python -m tests.diagrams -->\n```mermaid\n).*?(?=```)", lambda head, drawn=drawn: head[1] + drawn, page,
                      flags=re.DOTALL)
    return page


if __name__ == "__main__":
    PAGE.write_text(with_diagrams(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
