"""What all tables of the settings have in common."""

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """A table of the settings: an unknown key is an error, and nothing changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)
