"""Numbers of a breath that follow from columns of the breath table at once."""

from __future__ import annotations

import polars as pl

COMPUTED: dict[str, pl.Expr] = {
    "minute_volume_l_min": pl.col("vte_ml") * pl.col("rate_per_min") / 1000,
    "rapid_shallow_index": pl.col("rate_per_min") / pl.col("vte_ml") * 1000,
    "ie_ratio": pl.col("inspiratory_time_s") / pl.col("expiratory_time_s"),
}
"""By key, from the table's own columns."""
