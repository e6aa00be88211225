"""Profile metrics of one run: result, effort and sensor metrics after one table of definitions (analysis.quantities)."""

from analysis.metrics.measuring import measure

__all__ = ["measure"]
