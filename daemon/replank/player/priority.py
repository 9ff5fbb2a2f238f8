"""Scheduling priority of the threads that play."""

from __future__ import annotations

import os

PRIORITY = 4
"""SCHED_FIFO priority of the loop thread: below the threads of a JACK server (5 and up)."""


def raise_priority() -> str:
    """Ask for SCHED_FIFO for this thread and those it starts; return in words what came of it."""
    set_scheduler = getattr(os, "sched_setscheduler", None)
    if set_scheduler is None:
        return "normal: this system has no SCHED_FIFO here"
    try:
        set_scheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    except OSError as error:
        return f"normal: SCHED_FIFO refused ({error.strerror}); allow it with a real-time limit (ulimit -r)"
    return f"SCHED_FIFO {PRIORITY}"
