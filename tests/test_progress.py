import io

import pytest
from diskmosaic.progress import Bars, Lines, choose, silent


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("make", [lambda: silent, lambda: Lines(io.StringIO()), lambda: Bars(Terminal())])
def test_the_items_pass_through_in_order(make):
    progress = make()
    assert [
        (a, b) for a in progress(range(3), "outer") for b in progress(iter("xy"), "inner", total=2, unit="tiles")
    ] == [(a, b) for a in range(3) for b in "xy"]


def test_lines_tell_start_and_end():
    stream, times = io.StringIO(), iter([10.0, 12.0])
    list(Lines(stream, clock=lambda: next(times))(range(100), "grade"))
    assert stream.getvalue() == "grade: 100 frames ...\ngrade: done, 100 frames in 2.0 s, 50.0 frames/s\n"


def test_slow_work_tells_how_long_each_takes():
    stream, times = io.StringIO(), iter([0.0, 194.0])
    list(Lines(stream, clock=lambda: next(times))(range(6), "stack", unit="tiles"))
    assert stream.getvalue().endswith("stack: done, 6 tiles in 194.0 s, 32.3 s each\n")


def test_lines_tell_of_a_loop_that_was_stopped():
    stream = io.StringIO()
    loop = Lines(stream)(range(100), "grade")
    next(loop)
    next(loop)
    loop.close()
    assert "grade: stopped, 1 frames in" in stream.getvalue()


def test_what_is_chosen():
    assert choose(quiet=True, stream=Terminal()) is silent
    assert isinstance(choose(quiet=False, stream=io.StringIO()), Lines)
    assert isinstance(choose(quiet=False, stream=Terminal()), Bars)
