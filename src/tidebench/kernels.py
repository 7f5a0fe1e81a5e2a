"""The one way in which this package compiles a loop over samples."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
from numba.core.registry import CPUDispatcher

F = TypeVar("F", bound=Callable[..., object])


def kernel(function: F) -> F:
    """Compile with Numba, cached on disk, free of the interpreter's lock.

    A kernel takes arrays and scalars, returns arrays or scalars, and has a plain NumPy twin in the tests.
    """
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy")(function))


def summing(function: F) -> F:
    """As :func:`kernel`, for loops that add up: sums may be taken in another order, several at a time.

    NaN and infinities keep their meaning.
    """
    free = {"reassoc", "contract", "nsz"}
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=free)(function))


class _OnlyInKernels(CPUDispatcher):
    """Compiled without a way in from the interpreter: an error instead of a crash."""

    def __call__(self, *_: object) -> object:
        raise TypeError(
            f"{self.py_func.__name__} is part of kernels; from Python, call {self.py_func.__name__}.py_func"
        )


def part(function: F) -> F:
    """Compile what only kernels call into each of them, so that a call in their innermost loop costs nothing."""
    options: dict[str, Any] = {"no_cpython_wrapper": True}  # a tenth of the time to compile
    compiled: Any = numba.njit(nogil=True, error_model="numpy", forceinline=True, **options)(function)
    compiled.__class__ = _OnlyInKernels
    return cast(F, compiled)
