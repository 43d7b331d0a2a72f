"""The report: one HTML file that needs no network, no script and no other file."""

from __future__ import annotations

import os
import re
from functools import cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from stepwitness.display import THIN
from stepwitness.errors import StepwitnessError
from stepwitness_reports.page import Page, page_of
from stepwitness_reports.style import DARK, LIGHT, variables

FILE = "report.html"


def render(directory: Path) -> Path:
    """Write ``report.html`` from the record and the journals in `directory`; the path of the report.

    The same record gives the same bytes. A report that stands there is replaced, whole or not at all.

    Raises
    ------
    StepwitnessError : where there is no record that can be read, or the report can't be written.
    """
    directory = Path(directory)
    text = html_of(page_of(directory))
    target = directory / FILE
    beside = directory / f"{FILE}.part"
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        os.replace(beside, target)
    except OSError as error:
        raise StepwitnessError(f"{target}: can't be written: {error.strerror}") from error
    return target


def html_of(page: Page) -> str:
    """The page as HTML; every text in it is escaped."""
    environment = _environment()
    css = environment.get_template("style.css").render(
        light=variables(LIGHT), dark=variables(DARK), foot=_css_string(page.foot)
    )
    return environment.get_template("report.html.j2").render(page=page, css=Markup(css))


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
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("stepwitness_reports"),
        autoescape=True,
        finalize=_glued,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
