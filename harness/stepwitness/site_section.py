"""The section ``site`` of a bench or a plan file: a key for each of the site's facts."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from stepwitness.fields import FromText, Strict, any_text
from stepwitness.site import SiteFacts


def _checked(name: str, example: str) -> FromText:
    def convert(text: str) -> str:
        told: str = getattr(SiteFacts(**{name: text}), name)
        return told

    return FromText(convert, {"type": "string", "examples": [example]})


class SiteSection(Strict):
    """What only the site can say of a run, for its report; every key may be left out."""

    laboratory: Annotated[str, any_text("Tarnbrook Dosing, test room 2")] = Field(
        "", description="Name of the laboratory."
    )
    address: Annotated[str, any_text("4 Mill Lane, Tarnbrook")] = Field("", description="Its address.")
    location: Annotated[str, any_text("at the customer's")] = Field(
        "", description="Where the test is done, where that isn't the laboratory."
    )
    customer: Annotated[str, any_text("Tarnbrook Dosing, purchasing")] = Field(
        "", description="Name and contact of the customer."
    )
    received: Annotated[str, _checked("received", "2026-11-20")] = Field(
        "", description="Day on which the item was received."
    )
    condition: Annotated[str, any_text("new, as delivered")] = Field("", description="Condition of the item.")
    sampling: Annotated[str, any_text("lot 17, drawn at random")] = Field(
        "", description="Sampling plan and method, where results depend on them."
    )
    ambient: Annotated[str, any_text("22.4 °C ± 0.5 °C, 41 % relative humidity")] = Field(
        "", description="Ambient conditions of the test."
    )
    deviations: Annotated[str, any_text("warmed up for 5 min only")] = Field(
        "", description="Additions to the method, deviations and exclusions from it."
    )
    external: Annotated[str, any_text("none")] = Field("", description="Results that an external provider gave.")
    opinions: Annotated[str, any_text("the nut is near its end of life")] = Field(
        "", description="Opinions and interpretations."
    )
    operator: Annotated[str, _checked("operator", "MK")] = Field(
        "", description="Initials of who ran the test, up to four letters; may stay empty."
    )
    authorised_by: Annotated[str, any_text("head of laboratory")] = Field("", description="Who authorised the report.")

    def facts(self) -> SiteFacts:
        return SiteFacts(**self.model_dump())
