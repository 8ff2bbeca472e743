"""Ordered work: order, bounded look-ahead, errors, and chunks that ignore the number of threads."""

import threading
import time

import pytest
from diskmosaic.parallel import chunks, ordered_map
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize("jobs", [0, 1, 2, 5])
def test_results_come_in_order(jobs):
    def late_first(k):
        time.sleep(0.002 * (k % 3 == 0))
        return k * k

    assert list(ordered_map(late_first, range(20), jobs=jobs)) == [k * k for k in range(20)]


@pytest.mark.parametrize("jobs", [2, 3])
def test_no_more_than_jobs_and_one_are_under_way(jobs):
    taken, given_back, most = 0, 0, 0

    def items():
        nonlocal taken, most
        for k in range(30):
            taken += 1
            most = max(most, taken - given_back)
            yield k

    for _ in ordered_map(lambda k: k, items(), jobs=jobs):
        given_back += 1
    assert most <= jobs + 2  # jobs + 1 under way and the one just handed out


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_comes_out_and_no_thread_stays(jobs):
    before = threading.active_count()

    def fails(k):
        if k == 3:
            raise ValueError("third")
        return k

    got = []
    with pytest.raises(ValueError, match="third"):
        got.extend(ordered_map(fails, range(10), jobs=jobs))
    assert got == [0, 1, 2]
    assert threading.active_count() == before


def test_stopping_early_leaves_no_thread():
    before = threading.active_count()
    run = ordered_map(lambda k: k, range(1000), jobs=2)
    assert next(run) == 0
    run.close()
    assert threading.active_count() == before


@given(st.integers(0, 500), st.integers(1, 60))
def test_chunks_cover_all_once(count, size):
    parts = chunks(count, size)
    assert [k for part in parts for k in part] == list(range(count))
    assert all(len(part) == size for part in parts[:-1])
