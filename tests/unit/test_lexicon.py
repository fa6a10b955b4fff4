"""The accents' ways to say a word: none may be the way of another, or one word would be taken for the other."""

from models.training import lexicon, texts


def test_no_accents_way_of_a_word_is_a_way_of_another():
    """"to" and "two" sound alike in the dictionary itself, and no place of the grammar has both."""
    ways = lexicon.lexicon()
    for word, (_, *others) in ways.items():
        for other, theirs in ways.items():
            assert other == word or not set(others) & set(theirs), (word, other)


def test_every_sound_is_one_of_the_dictionary_and_the_dictionary_comes_first():
    sounds = {sound for way in texts.dictionary().values() for sound in way}
    assert len(sounds) == 39
    for word, ways in lexicon.lexicon().items():
        assert {sound for way in ways for sound in way} <= sounds
        assert ways[0] == texts.dictionary()[word]
    assert all(len(ways) == 1 for ways in lexicon.lexicon(accents=False).values())
