"""What the synthetic voices say: readings in every spoken form, commands, single words, and talk that is none of ours."""

import functools
import random
import re
from pathlib import Path

import pocketsphinx

from assistant.core.expect import Expect
from models import grammar

TALK = """the mixer is on the other side of the road | bring me the big hammer please | we are out of cement today
how long until the pump gets here | there were nine people in the room | put two more bags on the pallet
i think it is going to rain | the boss wants it done before noon | he has a point but i do not agree
that is for you and me | when did you get here | the wind is too strong for the crane | it takes one hour to get there
four of them left early | can you hear me now | hold the line please | turn left at the next corner | she won the game
nobody knows where the keys are | my back hurts | get yourself some coffee | this is the last one | we started at six
stop it right now | no way that is enough | yes of course i will | keep going straight | are you ready for the next truck
open the valve slowly | close the lid and pump it up | wait a second | the gauge is broken | read it back to me
oh my goodness | come here please | where is the foreman | look at that | thank you very much | see you tomorrow
the slump was fine on the last load | what time is lunch | add ten gallons of water | he said it was too wet
somebody took my mallet | the truck has been here for half an hour | is the ticket signed | who ordered this mix
lift it from the other side | mind the hose | we need another bucket | the forms are not ready yet | it is hot today
the second load was better | tell them to slow down | you can pour now | the pump is blocked again | wash it out first
i will call the plant | the air is too high | one more and we are done | that makes eleven loads so far
the inspector wants to see it | seven thirty tomorrow morning | it weighs about thirty pounds | he is on the phone
did you write that down | give me a hand with this | the sand is wet | move the truck back a bit | that was close
do not touch that | the radio is too loud | we are going to need a longer hose | she is on her way | not yet | maybe later
let me think | sounds good to me | what did he say | i do not know | hey mister | all right then | okay go ahead"""

SITE_TALK = [said.strip() for said in re.split(r"[|\n]", TALK)]
"""Own sentences. They hold many of our words among others, so that the net learns where a word of ours is only a piece."""

SPOKEN_DIGITS = "zero oh one two three four five six seven eight nine point".split()


SOUNDS = ("AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH").split()
"""The CMU dictionary's, without stress. Unit 0 of the network is CTC's blank, unit n the n-th of these."""


@functools.cache
def dictionary() -> dict[str, tuple[str, ...]]:
    """Word -> sounds (39 of the CMU set, no stress): the first entry of the dictionary inside the pocketsphinx wheel."""
    path = Path(pocketsphinx.__file__).parent / "model" / "en-us" / "cmudict-en-us.dict"
    words = {}
    for line in path.read_text("utf-8").splitlines():
        word, *sounds = line.split()
        if "(" not in word:
            words[word] = tuple(sound.rstrip("012") for sound in sounds)
    return words | {"oh": ("OW",), "zero": ("Z", "IH", "R", "OW"), "decimal": ("D", "EH", "S", "AH", "M", "AH", "L")}


@functools.cache
def vocabulary() -> list[str]:
    """Every word that is ever said to the station."""
    return grammar.words_for(grammar.WIDE)


@functools.cache
def _readings(of: Expect) -> grammar.Automaton:
    return grammar.automaton(of, commands=False)


def reading(rng: random.Random) -> str:
    """A reading as the grammar has it; one in eight is a free string, so that no habit of digits is learned with them."""
    if rng.random() < 0.12:
        return " ".join(rng.choice(SPOKEN_DIGITS) for _ in range(rng.randint(2, 6)))
    return _readings(grammar.WIDE if rng.random() < 0.15 else grammar.EVERYTHING).sentence(rng)


@functools.cache
def _other_words() -> list[str]:
    return sorted(word for word in dictionary() if word.isalpha() and 2 < len(word) < 10)


def talk(rng: random.Random) -> str:
    """Something else: a sentence of the site, or words off the dictionary."""
    if rng.random() < 0.5:
        return rng.choice(SITE_TALK)
    return " ".join(rng.sample(_other_words(), rng.randint(1, 5)))


def command(rng: random.Random) -> str:
    return rng.choice(grammar.command_phrases())


def session(rng: random.Random, words: int, readings: int, commands: int, talks: int) -> list[tuple[str, str]]:
    """One speaker's sentences as (kind, text): kind is word, reading, command or talk. The words of digits come first."""
    rest = [word for word in vocabulary() if word not in SPOKEN_DIGITS]
    single = (rng.sample(SPOKEN_DIGITS, words) if words <= len(SPOKEN_DIGITS)
              else SPOKEN_DIGITS + rng.sample(rest, min(len(rest), words - len(SPOKEN_DIGITS))))
    return ([("word", word) for word in single] + [("reading", reading(rng)) for _ in range(readings)]
            + [("command", command(rng)) for _ in range(commands)] + [("talk", talk(rng)) for _ in range(talks)])
