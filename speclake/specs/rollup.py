"""What a specification says of more than one spectrum: repeats and witness pieces."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from speclake.specs.requirements.common import Table, Texts

Counted = Literal["every", "latest", "chosen", "mean"]


class Repeats(Table):
    """Which of several spectra of one place count.

    Under ``every`` each counts and the worst decides. Under ``latest`` and ``chosen`` one alone
    counts as soon as a record of a person says so and why: the latest, or any. Under ``mean`` the
    mean of all is the number of the place. More than `most` spectra of one place are a doubt that
    is shown.
    """

    count: Counted = "every"
    most: Annotated[int, Field(ge=1)] | None = None


class Witness(Table):
    """Which parts a witness piece stands for, and in which requirements."""

    stands_for: Literal["coating run", "lot", "link"]
    requirements: Texts

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.requirements:
            raise ValueError("requirements = the ids that a witness piece answers")
        return self

    def check_known(self, ids: set[str]) -> None:
        """Refuse a requirement that the specification does not have.

        Raises
        ------
        ValueError
            It names the first of them.
        """
        for each in self.requirements:
            if each not in ids:
                raise ValueError(f"witness.requirements with ids that exist; {each!r} is none")
