"""Where something stands in JSON that may be broken: the byte, and the key nearest before it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

_KEY = re.compile(r'"([^"\\]+)":')


class NotJson(ValueError):
    """What was to be JSON isn't, from `byte` on."""

    def __init__(self, byte: int) -> None:
        self.byte = byte
        super().__init__(f"isn't JSON from byte {byte} on")


def parsed_json(data: bytes, *, parse_int: Callable[[str], Any] = int) -> Any:
    """What `data` says; `NotJson` where it says nothing."""
    try:
        return json.loads(data.decode(), parse_int=parse_int)
    except UnicodeDecodeError as error:
        raise NotJson(error.start) from None
    except json.JSONDecodeError as error:
        raise NotJson(len(error.doc[: error.pos].encode())) from None
    except RecursionError:
        raise NotJson(0) from None


def nearest_key(data: bytes, byte: int) -> str:
    """The last key that begins before `byte`, or an empty text."""
    keys = _KEY.findall(data[:byte].decode(errors="replace"))
    return keys[-1] if keys else ""


def section_at(text: str) -> str:
    """The key whose value `text` breaks off in; `text` begins behind the brace of an object. Empty where none is."""
    decoder, at = json.JSONDecoder(), 0
    while match := _KEY.match(text, at):
        try:
            _, at = decoder.raw_decode(text, match.end())
        except json.JSONDecodeError:
            return match[1]
        at += 1
    return ""
