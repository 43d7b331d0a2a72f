"""The report: one HTML file that needs no network, no script and no other file."""

from __future__ import annotations

from pathlib import Path

from stepwitness_reports import sheet
from stepwitness_reports.page import Page, page_of

FILE = "report.html"


def render(directory: Path) -> Path:
    """Write ``report.html`` from the record and the journals in `directory`; the path of the report.

    The same record gives the same bytes. A report that stands there is replaced, whole or not at all.

    Raises
    ------
    StepwitnessError : where there is no record that can be read, or the report can't be written.
    """
    directory = Path(directory)
    return sheet.write(directory / FILE, html_of(page_of(directory)))


def html_of(page: Page) -> str:
    """The page as HTML; every text in it is escaped."""
    return sheet.html("report.html.j2", page, foot=page.foot)
