"""Values over time: control charts, and the points that belong on them."""

from speclake.trends.charts import Chart, individuals
from speclake.trends.points import Points, one_point_per

__all__ = ["Chart", "Points", "individuals", "one_point_per"]
