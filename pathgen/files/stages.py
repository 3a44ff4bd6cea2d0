"""Logging of processing stages and their times, to loggers named after the modules."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


def log_stage(describe: Callable[[Any], str]) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """Decorate a function to log its running time and a description of its result at level INFO.

    Examples
    --------
    >>> @log_stage(lambda total: f"added up to {total}")
    ... def add(a, b):
    ...     return a + b
    >>> add(1, 2)
    3
    """

    def decorate(function: Callable[P, T]) -> Callable[P, T]:
        log = logging.getLogger(function.__module__)

        @wraps(function)
        def timed(*args: P.args, **options: P.kwargs) -> T:
            began = time.perf_counter()
            result = function(*args, **options)
            if log.isEnabledFor(logging.INFO):
                log.info("%s in %.2f s", describe(result), time.perf_counter() - began)
            return result

        return timed

    return decorate
