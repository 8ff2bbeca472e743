"""Ctrl-C that is not lost.

Where it arrives while a library calls back (a finaliser, a compiler's hook), Python can only print and forget it. So it
is noted as well, and heeded before the next step begins.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType

_asked = threading.Event()


def listen() -> None:
    """Note Ctrl-C from now on; where it is ignored, or another handler stands, that is left alone."""
    _asked.clear()
    if threading.current_thread() is not threading.main_thread():
        return
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _note)


def heed() -> None:
    """Raise `KeyboardInterrupt` if Ctrl-C was pressed since `listen`."""
    if _asked.is_set():
        raise KeyboardInterrupt


def _note(number: int, frame: FrameType | None) -> None:
    _asked.set()
    raise KeyboardInterrupt
