"""What only the site can say of a run, for its report: whose laboratory, which customer, who, in what surroundings.

1. Every fact may be left out; a report lists what is absent. They stand in the section ``site`` of bench and plan, and
   on the command line; the plan's win over the bench's, the command line's over both.
2. No more is asked of a person than is needed: an operator is initials, and may stay empty.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import date

from stepwitness.errors import BadInput, near_miss

_INITIALS = re.compile(r"[^\W\d_](?:[.\-]?[^\W\d_]){0,3}\.?")


@dataclass(frozen=True)
class SiteFacts:
    """Texts as they are to be printed, empty where nothing was said; `SiteSection` says what each means."""

    laboratory: str = ""
    address: str = ""
    location: str = ""
    customer: str = ""
    received: str = ""
    condition: str = ""
    sampling: str = ""
    ambient: str = ""
    deviations: str = ""
    external: str = ""
    opinions: str = ""
    operator: str = ""
    authorised_by: str = ""

    def __post_init__(self) -> None:
        if self.operator and not _INITIALS.fullmatch(self.operator):
            raise BadInput("more than initials", found=f"'{self.operator}'", allowed="up to four letters, such as MK")
        if self.received:
            try:
                date.fromisoformat(self.received)
            except ValueError:
                raise BadInput(
                    "not a day of the calendar", found=f"'{self.received}'", allowed="such as 2026-11-20"
                ) from None

    def under(self, later: SiteFacts) -> SiteFacts:
        """These, with what `later` says in place of them."""
        return SiteFacts(**{name: getattr(later, name) or getattr(self, name) for name in FACTS})


NOTHING_SAID = SiteFacts()
FACTS = tuple(item.name for item in fields(SiteFacts))


def site_facts(told: Iterable[str]) -> SiteFacts:
    """Facts as a command line gives them, each ``key=text``; of one that stands twice, the last.

    Raises
    ------
    BadInput : for what isn't such a fact.
    """
    said: dict[str, str] = {}
    for one in told:
        key, equals, text = one.partition("=")
        if not equals or key not in FACTS:
            raise BadInput(
                "not a fact of the site",
                found=f"'{one}'",
                allowed=f"KEY=TEXT with one of the keys {', '.join(FACTS)}",
                cure=near_miss(key, FACTS),
            )
        said[key] = text.strip()
    return SiteFacts(**said)
