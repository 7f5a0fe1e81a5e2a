"""Formulas applied to breaths: the columns of the breath table, holds, efforts, the pressure account."""
