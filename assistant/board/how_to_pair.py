"""What the station tells of the board's address and code: on its screen when they change, aloud to whoever asks at the first
question of a test.

The board writes both into a file of its own and the station reads it: four digits and an address, checked to be no more. They are
told where nothing is timed and nothing is read, and no step of a test looks at them.
"""
from __future__ import annotations

from ipaddress import ip_address
from urllib.parse import urlsplit

from assistant.board.pairing import FORM, code_of, own_folder
from assistant.core.language import sentence


def _known() -> tuple[str, str] | None:
    """Address and code; None: no board runs here, or its file is none."""
    told = code_of(own_folder())
    addresses, code = told.get("addresses"), told.get("code")
    if not isinstance(addresses, list) or not addresses or not isinstance(code, str) or not FORM.fullmatch(code):
        return None
    try:
        parts = urlsplit(str(addresses[0]))
        host = ip_address(str(parts.hostname))      # a number: whatever else stood there would be read on the station's screen
        return f"http://{f'[{host}]' if host.version == 6 else host}:{parts.port or 80}/", code
    except ValueError:
        return None


def shown() -> str:
    """For the screen; empty where there is no board."""
    known = _known()
    return sentence("board.pair", address=known[0], code=known[1]) if known else ""


def said() -> str:
    """The same aloud, each figure by itself."""
    if (known := _known()) is None:
        return ""
    parts = urlsplit(known[0])
    number = f" {sentence('board.point')} ".join(map(_spelt, str(parts.hostname).split(".")))
    return sentence("board.pair_said", code=_spelt(known[1]), number=number, port=_spelt(str(parts.port)))


def _spelt(figures: str) -> str:
    return ", ".join(figures)
