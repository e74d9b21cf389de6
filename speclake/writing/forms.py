"""Forms in which a table of JCAMP-DX can be written."""

from typing import Literal

Form = Literal["exact", "affn", "pac", "sqz", "dif", "sqzdup", "difdup", "pairs"]
"""How a table is written; ``exact`` is AFFN on even steps, otherwise pairs."""
