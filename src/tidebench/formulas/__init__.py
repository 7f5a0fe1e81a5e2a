"""Formulas of the trade: numbers in, numbers out, each with its equation, source and domain.

One rule for the edges, everywhere in this package: a number outside a formula's domain is refused with
:class:`tidebench.errors.OptionError`; in an array the elements outside become NaN, since one odd breath must not stop a
recording. NaN goes in and NaN comes out. Arguments are all numbers or all arrays of one shape.
"""
