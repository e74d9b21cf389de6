"""What requirements have in common whose number is of several measurements at once."""

from typing import ClassVar, Self

from pydantic import model_validator

from speclake.specs.requirements.common import Requirement


class GatheredRequirement(Requirement):
    """A number of several spectra, each measured in its own way."""

    may_be_smoothed: ClassVar[bool] = False

    @model_validator(mode="after")
    def _is_of_several(self) -> Self:
        if self.drawn_from is not None:
            raise ValueError(
                f'no drawn_from with what = "{self.what}", which says itself what it draws on'
            )
        stated = self.uncertainty if isinstance(self.uncertainty, tuple) else ()
        if any(each.expanded is None for each in stated):
            raise ValueError(
                f'uncertainty as expanded with k and source with what = "{self.what}": a budget is '
                "that of one spectrum"
            )
        return self
