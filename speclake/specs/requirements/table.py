"""What every table of a specification is made of."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Position = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Table(BaseModel):
    """A table of a specification: no unknown key, no change afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True)
