"""The JSON of `bowlside work`, read exactly; each mistake one plain sentence. What may stand in it: core/methods/work_input.py."""

import json
from typing import Any

from assistant.files import jsonline

LONGEST = 100_000
"""Characters of input; a whole test takes a few hundred."""


def read(text: str) -> dict[str, Any]:
    if len(text) > LONGEST:
        raise ValueError(f"the input is over {LONGEST} characters long: give one JSON object of readings")
    if not text.strip():
        raise ValueError("the input is empty: give one JSON object of readings")
    try:
        given = jsonline.loads(text)
    except json.JSONDecodeError as wrong:
        where = f"line {wrong.lineno} column {wrong.colno}"
        raise ValueError(f"the input is no JSON, at {where}: {wrong.msg}") from None
    except ValueError as wrong:
        raise ValueError(f"the input can't be used: {wrong}") from None
    if not isinstance(given, dict):
        raise ValueError('give one JSON object, such as {"initial_psi": 45.20, "final_psi": 45.12}')
    return given
