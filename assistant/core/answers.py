"""What the technician says and keys, and what it means at this moment. One meaning a command, one key a command."""
from __future__ import annotations

from assistant.core import asked, batch_clock, caution, crew, phrases, plausible, reading, round_clock, three_buttons
from assistant.core.commands import command
from assistant.core.corrections import change, choose, go_back, keep
from assistant.core.effects import NOT_NOW
from assistant.core.flow import (
    WORDS_AT_MOST_S,
    advance,
    broken_hold,
    finish,
    note,
    press,
    resume_hold,
)
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.procedure import END, STOP
from assistant.core.state import Answered, Phase, State
from assistant.core.steps import AIR_LINE, Choose
from assistant.core.turn import Turn

KEYS = {"#": "next", "A": "say_again", "B": "take_it_back", "C": "no", "D": "time_left",
        asked.HELD: "say_again", "A-held": "pause", "B-held": "scrap", "D-held": "quiet"}
"""Key -> command, where nothing is being typed. ``#`` is also yes and enter, held yes to a safety question, ``D`` twice "where
are we"."""
FORMER_KEYS = {"C-held": "scrap"}
"""No device sends it any more, so that a no that is held asks nothing else; tests that are recorded have it."""
TWICE_S = 2.0
"""Two presses of D within this time are one "where are we"."""
BOUNCE_S = 0.25
"""A second # so soon is a bounce or a held key: it does nothing. Ours; people press slower than 0.25 s."""
UNHEARD_S = 0.25
"""Nobody has heard a read-back so soon: a # then was meant for something else. Ours."""
ERASED_S = 1.5
"""B so soon after B has erased the last digit was one erase too many, not "take it back". Ours."""
TYPED_AT_MOST = 8
EARLY, EARLY_S = "early", 1.5
"""The last key, where it was a digit that came too soon; a digit so soon after it belongs to it. Ours."""
BEHIND_CAUTION = 7
"""From these rules on what was cut off behind its caution is asked again as soon as that is out, not at the press after it."""
REPEAT_S = 0.6
"""A held key so soon after itself repeats by itself: a keyboard's first repeat comes after 0.25 to 0.5 s (from memory)."""

_YES_NO = (Phase.CONFIRM, Phase.OVERRIDE, Phase.CHOOSE, Phase.SCRAP, Phase.CHANGE, Phase.REST)


def answers_a_prompt(text: str) -> bool:
    """Whether words answer what is asked (a number, yes, no, next), rather than command the station at any time."""
    return command(text) in (None, "yes", "no", "next")


def counts(turn: Turn, answer: str, at: float) -> bool:
    """Whether ``answer``, given at ``at``, answers what is asked: see ``asked.py``. If not, the technician is told what to do."""
    state = turn.state
    if not state.rules:
        return True
    grave = asked.grave(state)
    if state.phase in (Phase.HOLD, Phase.TAPPING):
        return True  # nothing is asked: it will be told so
    short = answer == "#" and asked.needs_held(state)
    if at >= asked.soonest(state, answer) and not short:
        turn.set(answered=Answered(answer, at, grave))
        return True
    _hear_first(turn)
    if short and at >= asked.soonest(state, answer) and state.spoken >= state.utterance:
        turn.say(_words(state, "answer.hold_for_yes"), state.prompt + NOT_NOW)
    elif not short:
        turn.set(too_soon=at)
    return False


def _hear_first(turn: Turn) -> None:
    """It came too soon. What is being said is heard out; a question that was cut off is asked again."""
    turn.set(listening=False)
    turn.cue("refused")
    state = turn.state
    behind_caution = state.rules >= BEHIND_CAUTION and bool(state.cautions) and state.asked.last == state.utterance
    if state.asked.cut and (state.spoken >= state.utterance or behind_caution):
        turn.say_prompt(whole=not behind_caution)


def heard(turn: Turn, text: str, at: float) -> None:
    meant = command(text)
    state = turn.state
    if state.away is not None and not crew.hears(state, meant):
        crew.refuse(turn)
    elif meant in ("yes", "no", "next"):
        if state.paused or counts(turn, meant, at):
            do(turn, meant)
    elif meant is not None:
        do(turn, meant)
    elif state.paused:
        turn.listen_if_silent()
    elif state.phase is Phase.ENTRY:
        if counts(turn, text, at):
            reading.from_voice(turn, text)
    elif state.phase in _YES_NO:
        turn.say(sentence("answer.yes_or_no"))
    else:
        _not_now(turn, sentence("answer.means_nothing", heard=text))


def unclear(turn: Turn, apart: bool = False) -> None:
    """apart: two recognisers heard two readings; saying it the same way once more would part them again."""
    state = turn.state
    turn.set(listening=False)
    if state.paused:
        return
    misses = max(state.misses + 1, 2 if apart and state.phase is Phase.ENTRY else 1)
    turn.set(misses=misses)
    if state.phase is Phase.ENTRY:
        turn.cue("refused")
        turn.say(_words(state, ("answer.say_again", "answer.digit_by_digit", "answer.cannot_hear")[min(misses, 3) - 1]))
    elif state.phase in _YES_NO:
        turn.cue("refused")
        turn.say(_words(state, "answer.yes_or_no_clearer" if misses <= 2 else "answer.yes_no_keys"))
    # While no answer is asked for it was most likely the site: nobody wants an answer to a compressor.


def key(turn: Turn, name: str, at: float) -> None:
    """at: when it was pressed, which may be long before it is handled."""
    state = turn.state
    since = at - state.last_key_at
    if (name == "#" and state.last_key.isdigit() and state.phase is Phase.CONFIRM and state.rules >= reading.POINTLESS
            and at < asked.heard_at(state)):
        turn.set(last_key=name, last_key_at=at)
        return  # the number had entered itself: some still end it with #
    twice_held = name == asked.HELD and state.last_key == name and since < REPEAT_S
    twice = name == "D" and state.last_key == "D" and since <= TWICE_S
    turn.set(last_key="" if twice else "erase" if name == "B" and state.typed else name, last_key_at=at)
    if state.paused and name not in ("A-held", "B-held", "C-held", "D"):
        turn.cue("refused")
        turn.say(_words(state, "answer.paused_key"), urgent=True)
        return
    if (name == "#" and state.last_key == "#" and since < BOUNCE_S and (state.wheel or not state.typed)
            or name == "#" and state.phase is Phase.CONFIRM and state.proposed is not None
            and state.now - state.proposed.at < UNHEARD_S
            or name == "B" and not state.typed and state.last_key == "erase" and since < ERASED_S):
        turn.cue("refused")
        return
    assert state.procedure is not None
    if name == asked.HELD and (state.away is not None or crew.may_go(state)):
        if twice_held:
            turn.cue("refused")  # a key that repeats itself is not held
        elif state.away is not None:
            crew.back(turn, at)
        else:
            crew.go(turn)
    elif state.away is not None and not crew.presses(state, name):
        crew.refuse(turn)
    elif name in state.procedure.keys:
        do(turn, state.procedure.keys[name])
    elif state.wheel and name in ("#", asked.HELD, "C", "A"):
        turn.set(answered=Answered(name, at))
        three_buttons.turned(turn, name, reading.from_keys)
    elif name in tuple("0123456789*"):
        if state.wheel:
            turn.set(wheel="", typed="")
        _type(turn, name, at, early=state.last_key == EARLY and since < EARLY_S)
    elif name in ("#", asked.HELD) and state.typed:
        _enter(turn, at)
    elif name == "B" and state.typed:
        turn.set(typed=state.typed[:-1], wheel=state.wheel and three_buttons.DIGITS[0])
    elif name in ("C", "B-held") and state.typed:
        turn.set(typed="", wheel=state.wheel and three_buttons.DIGITS[0])
    elif name == asked.HELD and asked.needs_held(state):
        if twice_held:
            turn.cue("refused")  # a key that repeats itself is not held
        elif counts(turn, name, at):
            do(turn, "yes")
    elif name == "#" or name == "C" and state.phase in _YES_NO:
        if not counts(turn, name, at):
            pass
        elif state.phase in _YES_NO:
            do(turn, "yes" if name == "#" else "no")
        elif state.phase is not Phase.ENTRY:
            do(turn, "next")
        elif not reading.go_on(turn):
            _not_now(turn, _words(state, "answer.key_first"))
    elif name == "C" and state.taken_back() is not None:
        if counts(turn, name, at):
            do(turn, "no")
    elif name == "C" and state.buttons and state.phase is Phase.ENTRY:
        if counts(turn, name, at):
            three_buttons.begin(turn)
    elif name == "C":
        _not_now(turn, sentence("answer.nothing_to_clear"))
    elif twice:
        do(turn, "where_are_we")
    elif name == "A-held" and state.paused:
        do(turn, "carry_on")
    elif name == "A-held" and state.buttons:
        three_buttons.ask_rest(turn, f"{_where(turn)} {_time_left(state)}")
    elif name == "D-held" and state.quiet:
        do(turn, "talk")
    elif (meant := KEYS.get(name) or FORMER_KEYS.get(name)) is not None:
        do(turn, meant)
    else:
        _not_now(turn, sentence("answer.no_key", key=name))


def _type(turn: Turn, name: str, at: float, early: bool) -> None:
    """early: the digit before it came too soon, so that this one is only the rest of a number."""
    state = turn.state
    if state.rules and state.phase is Phase.ENTRY and state.first is not None and (early or at < asked.heard_at(state)):
        _hear_first(turn)  # a second entry begins with a new look
        turn.set(last_key=EARLY, too_soon=at)
        return
    if state.phase is not Phase.ENTRY:
        _not_now(turn, _words(state, "answer.yes_no_keys" if state.phase in _YES_NO else "answer.no_reading"))
        return
    char = "." if name == "*" else name
    least, _ = plausible.plausible_range(state.ask.id, state.taken(), state.settings)
    if char == "." and state.typed == "0." and state.rules >= 2 and least < 0:
        turn.set(typed="-")  # two stars first
        return
    if (char == "." and "." in state.typed) or len(state.typed) >= TYPED_AT_MOST:
        turn.cue("refused")
        return
    if not state.typed:
        turn.hush()
    typed = state.typed + ("0." if char == "." and not state.typed else char)
    turn.set(typed=typed)
    behind = reading.pointless(state)
    if behind and typed.isdigit() and len(typed) == reading.POINTLESS_WHOLE + behind:
        _enter(turn, at)  # no digit more can be meant


def _enter(turn: Turn, at: float) -> None:
    """What is typed is the number."""
    typed = turn.state.typed
    if counts(turn, typed, at):
        turn.set(answered=Answered("#", at))  # the key that may be struck twice, or once too often
        reading.from_keys(turn, typed)


def do(turn: Turn, meant: str) -> None:
    """Carry out a command by its id (commands.py)."""
    state = turn.state
    if state.paused and meant not in ("carry_on", "time_left", "where_are_we", "scrap"):
        return
    if meant not in ("yes", "no", "next"):
        turn.set(listening=False)
    match meant:
        case "next":
            _next(turn)
        case "yes" | "no":
            _yes_no(turn, meant == "yes")
        case "say_again" if state.phase is Phase.TAPPING:
            turn.say(_time_left(state))
        case "say_again":
            turn.hush()
            turn.say_prompt()
        case "take_it_back":
            turn.hush()
            _take_back(turn)
        case "time_left":
            turn.hush()
            turn.say(_time_left(state), urgent=True)
        case "where_are_we":
            turn.hush()
            turn.say(_where(turn), urgent=True)
        case "pause" | "carry_on":
            _pause(turn, meant == "pause")
        case "scrap":
            if state.phase is not Phase.SCRAP:
                turn.hush()
                before = state.before_scrap if state.phase in (Phase.CHANGE, Phase.REST) else state.phase
                turn.set(before_scrap=before, phase=Phase.SCRAP, paused=False, typed="", wheel="")
                turn.say_prompt()
        case "quiet":
            turn.hush()
            turn.say(sentence("answer.quiet"))
            turn.set(quiet=True)
        case "talk":
            turn.set(quiet=False)
            turn.say(sentence("answer.talking"))
        case "slower" | "faster":
            turn.hush()
            turn.set(wpm=min(300, max(80, (state.wpm or 170) + (30 if meant == "faster" else -30))))
            turn.say_prompt()
        case "skip_to_air":
            _skip_to_air(turn)


def _next(turn: Turn) -> None:
    state = turn.state
    if state.phase is Phase.TELL:
        turn.hush()
        turn.set(index=state.index + len(state.breath()) - 1)
        advance(turn)
    elif state.phase is Phase.READY and state.cautions:  # only of a test that began before ``counts`` had a rule for it
        _not_now(turn, sentence("answer.caution_first"))
    elif state.phase is Phase.READY:
        press(turn)
    elif state.phase in _YES_NO:
        _not_now(turn, sentence("answer.yes_or_no"))
    elif state.phase is Phase.ENTRY:
        if not reading.go_on(turn):
            _not_now(turn, sentence("answer.reading_first"))
    else:
        _not_now(turn, sentence("answer.not_yet"))


def _yes_no(turn: Turn, yes: bool) -> None:
    state = turn.state
    match state.phase:
        case Phase.CONFIRM:
            reading.confirmed(turn, yes)
        case Phase.ENTRY if not yes and (old := state.taken_back()) is not None:
            keep(turn, old)
        case Phase.OVERRIDE:
            turn.hush()
            reading.override(turn, use=not yes)
        case Phase.CHOOSE:
            assert isinstance(state.step, Choose)
            turn.hush()
            choose(turn, state.step.yes if yes else state.step.no)
        case Phase.SCRAP if yes:
            turn.hush()
            finish(turn, "scrapped")
        case Phase.CHANGE if yes:
            turn.hush()
            change(turn)
        case Phase.REST if yes:
            _go_on(turn)
            turn.hush()
            do(turn, state.rest)
        case Phase.REST if following := three_buttons.next_of_rest(state):
            turn.hush()
            turn.set(rest=following)
            turn.say_prompt()
        case Phase.SCRAP | Phase.CHANGE | Phase.REST:
            turn.hush()
            _go_on(turn, sentence("answer.going_on"))
        case _:
            _not_now(turn, sentence("answer.nothing_asked"))


def _go_on(turn: Turn, words: str = "") -> None:
    """Back to what was done before something else was asked."""
    turn.set(phase=turn.state.before_scrap, listening=False)
    turn.say(words)
    if turn.state.phase is Phase.HOLD:
        resume_hold(turn)
    elif turn.state.phase is Phase.TAPPING and turn.state.ended_away == turn.state.step.id:
        advance(turn)
    elif turn.state.phase is not Phase.TAPPING:
        turn.say_prompt()
    elif "tap" not in dict(turn.state.timers):  # the beats have not begun, and a voice that reports nothing never would
        turn.timer("words", turn.state.now + WORDS_AT_MOST_S)


def _take_back(turn: Turn) -> None:
    state = turn.state
    if state.phase is Phase.CONFIRM:
        reading.confirmed(turn, False)
    elif state.phase in (Phase.SCRAP, Phase.CHANGE):
        _yes_no(turn, False)
    elif state.phase is Phase.REST:
        _go_on(turn)
        turn.hush()
        _take_back(turn)
    elif state.phase is Phase.OVERRIDE:
        reading.override(turn, use=False)
    elif state.phase is Phase.ENTRY and state.first is not None:
        turn.set(first=None)
        turn.say(sentence("answer.first_dropped"))
        turn.say_prompt(whole=False)
    elif state.phase is Phase.HOLD and state.hopeless and (hold := state.running_hold()) is not None:
        note(turn, hold.id, sentence("gauge.given_up"))
        broken_hold(turn, hold)  # it could only have failed: he may start over
    else:
        go_back(turn)


def _skip_to_air(turn: Turn) -> None:
    """Only a finished test that is being read out has a line with this role."""
    procedure = turn.state.procedure
    line = next((step.id for step in procedure.steps if step.role == AIR_LINE), "") if procedure else ""
    if line:
        turn.hush()
        advance(turn, line)
    else:
        _not_now(turn, sentence("answer.only_reading_out"))


def _pause(turn: Turn, pause: bool) -> None:
    """Silences the station, never a clock."""
    if pause:
        turn.hush()
        turn.say(sentence("answer.paused"), urgent=True)
        turn.set(paused=True, paused_at=turn.state.now, typed="", wheel="")
    elif turn.state.paused:
        turn.set(paused=False)
        if turn.state.phase is not Phase.TAPPING:
            if turn.state.now - turn.state.paused_at > caution.BREAK_S:
                caution.after_break(turn)
            turn.say_prompt()
    else:
        _not_now(turn, sentence("answer.nothing_paused"))


def _time_left(state: State) -> str:
    if state.phase is Phase.TAPPING:
        return sentence("answer.keep_tapping")
    left = state.time_left()
    told = [phrases.left(left) if left is not None else "", round_clock.told(state), batch_clock.told(state)]
    return " ".join(filter(None, told)) or sentence("answer.no_clock")


def _where(turn: Turn) -> str:
    state = turn.state
    last, taken = state.last_taken(), ""
    # While the same kind of reading is asked, the last one would be the value to beat.
    if last is not None and not phrases.same_kind(last.id, state.step.id):
        taken = sentence("answer.last_taken", reading=phrases.spoken_id(last.id), digits=registry.aloud(last.id, last.value))
    return " ".join(filter(None, [sentence("answer.where", stage=phrases.capital(state.step.stage)), taken, _then(state)]))


def _then(state: State) -> str:
    """What comes after this if all is well, in its shortest words; empty where a judgement decides it, or nothing more comes."""
    step, procedure = state.breath()[-1], state.procedure
    assert procedure is not None
    target = (step.yes.goto if isinstance(step, Choose) else "") or step.goto or \
        next((after.id for after in procedure.steps[procedure.index(step.id) + 1:]), END)
    then = None if target in (END, STOP) else procedure.steps[procedure.index(target)]
    words = "" if then is None or state.corrected else then.terse or then.say
    return sentence("answer.then", words=words) if words else ""


def _words(state: State, ident: str) -> str:
    return phrases.for_hands(state.buttons, ident)


def _not_now(turn: Turn, words: str) -> None:
    if turn.state.rules >= asked.ONLY_WHAT_COUNTED:
        turn.set(answered=turn.before.answered)  # or the same answer again would follow too soon on the one that did count
    turn.set(listening=False)
    turn.cue("refused")
    turn.say(words, turn.state.prompt + NOT_NOW)
