"""What all sheets share: bands and sealed texts, times in words, the templates' environment and style, and a file that
is replaced whole or not at all.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from stepwitness.display import THIN
from stepwitness.errors import StepwitnessError
from stepwitness.records.sealed import UNSIGNED, Sealed, broken_places
from stepwitness.records.signature import signatures
from stepwitness.records.writing import write_over
from stepwitness_reports.style import DARK, LIGHT, variables


@dataclass(frozen=True)
class Band:
    """What must be seen on every page: a word and what it means."""

    name: str
    words: str


SIMULATED = Band("SIMULATED", "stand-ins took the place of real parts")


@dataclass(frozen=True)
class SealedText:
    name: str
    words: str


def altered(document: Sealed) -> Iterator[Band]:
    """The band of a document that isn't the one that was sealed; none where it is."""
    broken = broken_places(document.path)
    if broken:
        yield Band("ALTERED", f"the document isn't what was sealed: {broken[0]}")


def instant(text: str) -> str:
    """A time, UTC, to the minute.

    Raises
    ------
    StepwitnessError : where it isn't one.
    """
    try:
        return f"{datetime.fromisoformat(text):%Y-%m-%d{THIN}%H:%M}{THIN}UTC"
    except ValueError as error:
        raise StepwitnessError(f"'{text}' isn't a time: {error}") from None


def instant_as_told(text: str) -> str:
    """A time as `instant` gives it; another text as it is."""
    try:
        return instant(text)
    except StepwitnessError:
        return text


def seal_words(file: Path, seal: Mapping[str, Any]) -> str:
    """Who signed the document in a file, or what a seal without a signature shows."""
    try:
        held = signatures(file, str(seal.get("sha256", "")))
    except StepwitnessError as error:
        return f"There are signatures beside the document; they weren't checked: {error}."
    told = [
        f"{one.file} doesn't hold: {one.broken}."
        if one.broken
        else f"Signed {instant_as_told(one.signed)} with the key whose SHA-256 begins with {one.fingerprint[:16]}."
        for one in held
    ]
    return " ".join(told) or UNSIGNED


def capital(text: str) -> str:
    """`text` as a sentence begins."""
    return text[:1].upper() + text[1:]


def html(template: str, page: object, *, foot: str) -> str:
    """A page by its template; every text in it is escaped. `foot` stands at the foot of each printed page."""
    css = environment().get_template("style.css")
    style = css.render(light=variables(LIGHT), dark=variables(DARK), foot=_css_string(foot))
    return environment().get_template(template).render(page=page, css=Markup(style))


def write(target: Path, text: str) -> Path:
    """Write a sheet, in place of the one that may stand there.

    Raises
    ------
    StepwitnessError : where it can't be written.
    """
    try:
        write_over(target, text.encode())
    except OSError as error:
        raise StepwitnessError(f"{target}: can't be written: {error.strerror}") from error
    return target


def _css_string(text: str) -> str:
    """`text` for a CSS string inside a style element, where HTML's escapes mean nothing."""
    return re.sub(r"[^\w .,:·\-]", "?", text)


_TOGETHER = re.compile(rf"\S+(?:{THIN}\S+)+")


def _glued(value: object) -> object:
    """Keeps number and unit on one line: a thin space is a place where a browser may break."""
    if not isinstance(value, str) or isinstance(value, Markup) or THIN not in value:
        return value
    parts: list[Markup] = []
    end = 0
    for match in _TOGETHER.finditer(value):
        parts += [escape(value[end : match.start()]), Markup('<span class="nowrap">{}</span>').format(match[0])]
        end = match.end()
    return Markup("").join([*parts, escape(value[end:])])


@cache
def environment() -> Environment:
    return Environment(
        loader=PackageLoader("stepwitness_reports"),
        autoescape=True,
        finalize=_glued,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
