"""Ctrl-C that arrives where Python can only forget it."""

import gc
import signal
import weakref

import pytest
from diskmosaic import interrupt


class Dropped:
    """Something whose finaliser is called back."""


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_one_that_arrives_in_a_finaliser_is_heeded_later():
    before = signal.getsignal(signal.SIGINT)
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        interrupt.listen()
        interrupt.heed()  # nothing was pressed yet
        dropped = Dropped()
        gone = weakref.ref(dropped, lambda _: signal.raise_signal(signal.SIGINT))
        del dropped  # Python prints the exception of a callback and goes on
        gc.collect()
        assert gone() is None
        with pytest.raises(KeyboardInterrupt):
            interrupt.heed()
        interrupt.listen()
        interrupt.heed()
    finally:
        signal.signal(signal.SIGINT, before)


def test_ctrl_c_that_is_ignored_stays_ignored():
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        interrupt.listen()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
