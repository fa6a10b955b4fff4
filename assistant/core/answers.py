"""What the technician says and keys, and what it means at this moment. One meaning a command, one key a command."""
from __future__ import annotations

from assistant.core import asked, caution, crew, phrases, plausible, reading, three_buttons, where_are_we
from assistant.core.commands import command
from assistant.core.corrections import change, choose, go_back, keep
from assistant.core.effects import NOT_NOW
from assistant.core.flow import advance, broken_hold, finish, press, resume
from assistant.core.language import sentence
from assistant.core.state import YES_NO, Answered, Phase, State
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

_NOT_UNDERSTOOD = ("answer.say_again", "answer.digit_by_digit", "answer.cannot_hear")
_YES_NO_UNCLEAR = ("answer.yes_or_no_clearer", "answer.yes_or_no_clearer", "answer.yes_no_keys")
"""What is said the first time, the second, and from then on."""


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
    elif state.phase in YES_NO:
        turn.say(sentence("answer.yes_or_no"))
    else:
        _not_now(turn, "answer.means_nothing", heard=text)


def unclear(turn: Turn, apart: bool = False) -> None:
    """apart: two recognisers heard two readings; saying it the same way once more would part them again."""
    state = turn.state
    turn.set(listening=False)
    if state.paused:
        return
    misses = max(state.misses + 1, 2 if apart and state.phase is Phase.ENTRY else 1)
    turn.set(misses=misses)
    if state.phase is Phase.ENTRY or state.phase in YES_NO:
        turn.cue("refused")
        turn.say(_words(state, (_NOT_UNDERSTOOD if state.phase is Phase.ENTRY else _YES_NO_UNCLEAR)[min(misses, 3) - 1]))
    # While no answer is asked for it was most likely the site: nobody wants an answer to a compressor.


def key(turn: Turn, name: str, at: float) -> None:
    """at: when it was pressed, which may be long before it is handled."""
    state = turn.state
    since = at - state.last_key_at
    if (name == "#" and state.last_key.isdigit() and state.phase is Phase.CONFIRM and state.rules >= reading.POINTLESS
            and at < asked.heard_at(state)):
        turn.set(last_key=name, last_key_at=at)
        return  # the number had entered itself: some still end it with #
    repeats = name == asked.HELD and state.last_key == name and since < REPEAT_S  # so it is not held
    twice = name == "D" and state.last_key == "D" and since <= TWICE_S
    turn.set(last_key="" if twice else "erase" if name == "B" and state.typed else name, last_key_at=at)
    if state.paused and name not in ("A-held", "B-held", "C-held", "D"):
        turn.cue("refused")
        turn.say(_words(state, "answer.paused_key"), urgent=True)
        return
    if (name == "#" and state.last_key == "#" and since < BOUNCE_S and (state.wheel or not state.typed)
            or name == "#" and state.phase is Phase.CONFIRM and state.proposed is not None
            and state.now - state.proposed.at < UNHEARD_S
            or name == "B" and not state.typed and state.last_key == "erase" and since < ERASED_S
            or repeats and (state.away is not None or crew.may_go(state) or asked.needs_held(state))):
        turn.cue("refused")
        return
    assert state.procedure is not None
    if name == asked.HELD and state.away is not None:
        crew.back(turn, at)
    elif name == asked.HELD and crew.may_go(state):
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
    elif (name == "#" or name == asked.HELD and asked.needs_held(state)
          or name == "C" and (state.phase in YES_NO or state.taken_back() is not None)):
        if not counts(turn, name, at):
            pass
        elif name == "C" or state.phase in YES_NO:
            _yes_no(turn, name != "C")
        else:
            _next(turn, "answer.key_first")
    elif name == "C" and state.buttons and state.phase is Phase.ENTRY:
        if counts(turn, name, at):
            three_buttons.begin(turn)
    elif name == "C":
        _not_now(turn, "answer.nothing_to_clear")
    elif name == "A-held" and state.buttons and not state.paused:
        three_buttons.ask_rest(turn)
    elif name in KEYS or name in FORMER_KEYS:
        do(turn, "where_are_we" if twice else "carry_on" if name == "A-held" and state.paused
           else "talk" if name == "D-held" and state.quiet else (KEYS | FORMER_KEYS)[name])
    else:
        _not_now(turn, "answer.no_key", key=name)


def _type(turn: Turn, name: str, at: float, early: bool) -> None:
    """early: the digit before it came too soon, so that this one is only the rest of a number."""
    state = turn.state
    if state.rules and state.phase is Phase.ENTRY and state.first is not None and (early or at < asked.heard_at(state)):
        _hear_first(turn)  # a second entry begins with a new look
        turn.set(last_key=EARLY, too_soon=at)
        return
    if state.phase is not Phase.ENTRY:
        _not_now(turn, "answer.yes_no_keys" if state.phase in YES_NO else "answer.no_reading")
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
            turn.say(where_are_we.time_left(state))
        case "say_again":
            turn.hush()
            turn.say_prompt()
        case "take_it_back":
            turn.hush()
            _take_back(turn)
        case "time_left":
            turn.hush()
            turn.say(where_are_we.time_left(state), urgent=True)
        case "where_are_we":
            turn.hush()
            turn.say(where_are_we.where(state), urgent=True)
        case "pause":  # silences the station, never a clock
            turn.hush()
            turn.say(sentence("answer.paused"), urgent=True)
            turn.set(paused=True, paused_at=state.now, typed="", wheel="")
        case "carry_on":
            _carry_on(turn)
        case "scrap":
            if state.phase is not Phase.SCRAP:
                turn.hush()
                turn.aside(Phase.SCRAP)
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


def _next(turn: Turn, first: str = "answer.reading_first") -> None:
    """first: what to say where a reading is asked for."""
    state = turn.state
    if state.phase is Phase.TELL:
        turn.hush()
        turn.set(index=state.index + len(state.breath()) - 1)
        advance(turn)
    elif state.phase is Phase.READY and state.cautions:  # only of a test that began before ``counts`` had a rule for it
        _not_now(turn, "answer.caution_first")
    elif state.phase is Phase.READY:
        press(turn)
    elif state.phase in YES_NO:
        _not_now(turn, "answer.yes_or_no")
    elif state.phase is Phase.ENTRY:
        if not reading.go_on(turn):
            _not_now(turn, first)
    else:
        _not_now(turn, "answer.not_yet")


def _yes_no(turn: Turn, yes: bool) -> None:
    state = turn.state
    old = None if yes else state.taken_back()
    if old is None and state.phase not in YES_NO:
        _not_now(turn, "answer.nothing_asked")
        return
    turn.hush()
    match state.phase:
        case Phase.CONFIRM:
            reading.confirmed(turn, yes)
        case Phase.OVERRIDE:
            reading.override(turn, use=not yes)
        case Phase.CHOOSE:
            assert isinstance(state.step, Choose)
            choose(turn, state.step.yes if yes else state.step.no)
        case Phase.SCRAP if yes:
            finish(turn, "scrapped")
        case Phase.CHANGE if yes:
            change(turn)
        case Phase.REST if yes:
            resume(turn)
            do(turn, state.rest)
        case Phase.REST if following := three_buttons.next_of_rest(state):
            turn.set(rest=following)
            turn.say_prompt()
        case Phase.SCRAP | Phase.CHANGE | Phase.REST:
            resume(turn, sentence("answer.going_on"))
        case Phase.ENTRY if old is not None:
            keep(turn, old)


def _take_back(turn: Turn) -> None:
    state = turn.state
    if state.phase in (Phase.CONFIRM, Phase.SCRAP, Phase.CHANGE):
        _yes_no(turn, False)
    elif state.phase is Phase.OVERRIDE:
        reading.override(turn, use=False)
    elif state.phase is Phase.REST:
        resume(turn)
        turn.hush()
        _take_back(turn)
    elif state.phase is Phase.ENTRY and state.first is not None:
        turn.set(first=None)
        turn.say(sentence("answer.first_dropped"))
        turn.say_prompt(whole=False)
    elif state.phase is Phase.HOLD and state.hopeless and (hold := state.running_hold()) is not None:
        turn.note(hold.id, sentence("gauge.given_up"))
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
        _not_now(turn, "answer.no_air_line" if procedure and procedure.keys else "answer.only_reading_out")


def _carry_on(turn: Turn) -> None:
    state = turn.state
    if not state.paused:
        _not_now(turn, "answer.nothing_paused")
        return
    turn.set(paused=False)
    if state.phase is not Phase.TAPPING:
        if state.now - state.paused_at > caution.BREAK_S:
            caution.after_break(turn)
        turn.say_prompt()


def _words(state: State, ident: str, **fields: object) -> str:
    return phrases.for_hands(state.buttons, ident, **fields)


def _not_now(turn: Turn, ident: str, **fields: object) -> None:
    if turn.state.rules >= asked.ONLY_WHAT_COUNTED:
        turn.set(answered=turn.before.answered)  # or the same answer again would follow too soon on the one that did count
    turn.set(listening=False)
    turn.cue("refused")
    turn.say(_words(turn.state, ident, **fields), turn.state.prompt + NOT_NOW)
