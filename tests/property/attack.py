"""Whole attacks: a seed is a test, a wording, a place in it to begin at, and a technician with a manner."""
from __future__ import annotations

import random
from collections.abc import Iterable
from decimal import Decimal
from functools import cache

from assistant.core.state import Phase
from assistant.procedures import names
from tests.property.evidence import Slip
from tests.property.technician import CALM, MANNERS, Technician
from tests.property.test_never_stuck import TRUE
from tests.property.world import World

MOST_EVENTS = 4000
SPEECHES = ("normal", "terse", "coaching")


@cache
def checkpoints(test: str, speech: str) -> tuple[World, ...]:
    """A calm technician's test, kept at each new prompt: attacks begin there without playing what came before."""
    world = World(test, speech)
    assert world.oracle is not None
    world.oracle.only = frozenset({"none"})  # what it finds here is found by the attack that begins before it
    calm = Technician(world, 1, CALM)
    calm.face = {name: Decimal(value) for name, value in TRUE.items()}
    kept, last = [world.clone()], world.state.prompt
    for _ in range(MOST_EVENTS):
        if world.over:
            break
        calm.one()
        if world.state.prompt != last:
            last = world.state.prompt
            kept.append(world.clone())
    return tuple(one for one in kept if not one.over)


OTHERS = tuple(one for one in names() if one != "sequential")
MOST_SEQUENTIAL = 0.45
"""Of the scripts: it is the longest test and the most dangerous."""


def begun(seed: int, only: Iterable[str] = ()) -> tuple[World, Technician]:
    chance = random.Random(seed)
    test = "sequential" if chance.random() < MOST_SEQUENTIAL else chance.choice(OTHERS)
    kept = checkpoints(test, chance.choice(SPEECHES))
    world = chance.choice(kept).clone()
    assert world.oracle is not None
    world.oracle.only = frozenset(only)
    return world, Technician(world, seed, chance.choice(MANNERS), chance.choice((4, 8, 16)))


def attack(seed: int, only: Iterable[str] = ()) -> World:
    """One script to the end of its test. Raises Slip; its script is ``slip.script``. ``only``: rules to look for, empty: all."""
    world, somebody = begun(seed, only)
    return play(world, somebody)


def play(world: World, somebody: Technician) -> World:
    try:
        while not world.over:
            if len(world.events) > MOST_EVENTS or world.due() is None and world.state.phase in (Phase.HOLD, Phase.TAPPING):
                raise Slip("stuck", f"{len(world.events)} events, still at {world.state.prompt}")
            somebody.one()
        assert world.oracle is not None
        world.oracle.end(world.final())
    except Slip as slip:
        slip.script = world.script()
        raise
    return world
