"""Passive or not, the mechanics where it is, muscle pressure where it is not: once, for everyone."""
