"""How the words of the station are said: the dictionary's way, and what other accents make of it.

The accents' ways are common practice, no source: r not said behind a vowel, t or f or s for th, full vowels in short words.
None of them is the way of another word (tests/unit/test_lexicon.py). They help only where the network writes down what it hears;
one that was taught the dictionary's way for every voice writes that down whatever it hears, so `--no-accents` may do as well.
"""

from models.training import texts

ACCENTS = """
zero: Z IY R OW, S IH R OW, JH IY R OW
one: W AA N, V AH N
two: T Y UW
three: T R IY, F R IY, S R IY
four: F AO, F OW R, F OW
five: F AA Y V, F AY F
six: S IY K S
seven: S EH B AH N, S EH V N
nine: N AA Y N
point: P OY N
decimal: D EH S IH M AH L
eleven: IY L EH V AH N, AH L EH V AH N
twelve: T V EH L V, T W EH L F
thirteen: TH AH T IY N, T ER T IY N, F ER T IY N
fourteen: F AO T IY N
twenty: T W EH N IY, T V EH N T IY
thirty: TH ER T IY, T ER T IY, F ER T IY, T ER D IY
forty: F AO T IY, F AO R D IY
fifty: F IY F T IY
seventy: S EH V AH N D IY
eighty: EY D IY
ninety: N AY N D IY
and: AE N D, AH N
half: HH AA F
again: AH G EY N
affirmative: AH F AH M AH T IH V
wrong: R AA NG
where: W EH, V EH R
are: AA
we: V IY
pause: P AA Z, P AO S
the: DH IY, D AH
talk: T AA K
slower: S L OW AH
air: EH AH, EY R
"""


def lexicon(accents: bool = True) -> dict[str, list[tuple[str, ...]]]:
    """Word -> its ways, each a row of the 39 sounds; the dictionary's way first."""
    ways = {word: [texts.dictionary()[word]] for word in texts.vocabulary()}
    for line in ACCENTS.strip().splitlines() if accents else ():
        word, others = line.split(": ")
        ways[word] += [tuple(way.split()) for way in others.split(", ")]
    return ways
