"""How the sites of a part make one outcome of a requirement."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from speclake.specs.requirements.table import Position, Table

SitesRule = Literal["all", "worst", "mean", "fraction"]


class OverSites(Table):
    """How the sites of a part make one outcome of a requirement.

    A mean is a number of its own: `uncertainty` is its expanded uncertainty with the factor `k`,
    in the unit of the requirement. Left out, it is the largest that it can be.
    """

    how: SitesRule = "all"
    fraction: Annotated[Decimal, Field(gt=0, le=1)] | None = None
    uncertainty: Position | None = None
    k: Position | None = None
    source: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.how == "fraction") != (self.fraction is not None):
            raise ValueError("fraction = the share of sites that must pass, and no other how,")
        stated = (self.uncertainty is not None, self.k is not None, bool(self.source))
        if any(stated) and not (all(stated) and self.how == "mean"):
            raise ValueError('uncertainty, k and source together, and with how = "mean"')
        return self

    def check_against(self, requirement: str, *, is_uncertain: bool) -> None:
        """Refuse an uncertainty of the mean where the rule of the requirement knows of none.

        Raises
        ------
        ValueError
            It names the requirement.
        """
        if self.uncertainty is not None and not is_uncertain:
            raise ValueError(
                f"an uncertainty of requirement {requirement!r} itself, beside that of its mean"
            )

    @property
    def in_words(self) -> str:
        """The rule as a phrase; empty where every site must pass."""
        if self.fraction is not None:
            return f"at {(self.fraction * 100).normalize():f} % of the sites or more"
        return {"all": "", "worst": "the worst site of a part"}.get(self.how, "mean over the sites")


def over_sites(written: object) -> object:
    """A rule written as its word, or as a fraction alone, as the table that it stands for."""
    if isinstance(written, str):
        return {"how": written}
    if isinstance(written, Mapping) and "fraction" in written and "how" not in written:
        return {"how": "fraction", **written}
    return written


OverSitesRule = Annotated[OverSites, BeforeValidator(over_sites)]
