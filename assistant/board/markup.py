"""HTML and SVG put together from parts. Every text is escaped on the way in, so that no label can be markup."""
from __future__ import annotations

from html import escape
from typing import Any


class Html(str):
    """Text that is markup already. Only this file makes it."""


def el(tag: str, *inside: Any, **attributes: Any) -> Html:
    """An element. ``inside``: texts, numbers, elements, lists of them; None and "" are nothing. ``data_ends`` is data-ends."""
    given = {name.rstrip("_").replace("_", "-"): value for name, value in attributes.items() if value not in (None, False)}
    start = "".join(f" {name}" if value is True else f' {name}="{escape(str(value))}"' for name, value in given.items())
    if tag in ("meta", "link", "input", "br"):
        return Html(f"<{tag}{start}>")
    return Html(f"<{tag}{start}>{join(*inside)}</{tag}>")


def join(*parts: Any) -> Html:
    """One after the other, as ``el`` takes them."""
    return Html("".join(join(*part) if isinstance(part, list | tuple) else part if isinstance(part, Html)
                        else "" if part is None else escape(str(part)) for part in parts))
