"""The same work on one core and on two."""

import os
import signal
import time

import numpy as np
import pytest

from registry.science.both_cores import over_all


def triple(x):
    return 3 * x


def ends_in_a_child(parent):
    """As a process that was killed: no answer, no word."""
    if os.getpid() != parent:
        os.kill(os.getpid(), signal.SIGKILL)
    return os.getpid()


def refuses_odd(x):
    if x % 2:
        raise ArithmeticError("odd")
    return x


@pytest.mark.parametrize("second", [False, True])
def test_results_stand_in_the_order_of_the_items(second):
    items = list(np.arange(40))

    assert over_all(triple, items, second=second) == [3 * x for x in items]


def test_two_processes_share_the_work(monkeypatch, tmp_path):
    monkeypatch.setattr("registry.science.both_cores._cores", lambda: 2)
    item = (tmp_path / "met", os.getpid())

    near, far = over_all(wait_for_the_other, [item, item], second=True)

    assert near == os.getpid()
    assert far != near


def wait_for_the_other(item):
    """Here: until the other process has come by. There: come by."""
    sign, here = item
    if os.getpid() != here:
        sign.touch()
    deadline = time.monotonic() + 60
    while not sign.exists():
        assert time.monotonic() < deadline
        time.sleep(0.01)
    return os.getpid()


def test_what_a_dead_helper_left_is_done_here(monkeypatch):
    monkeypatch.setattr("registry.science.both_cores._cores", lambda: 2)

    found = over_all(ends_in_a_child, [os.getpid()] * 5, second=True)

    assert found == [os.getpid()] * 5


def test_an_error_is_raised_where_the_work_was_asked_for(monkeypatch):
    monkeypatch.setattr("registry.science.both_cores._cores", lambda: 2)

    with pytest.raises(ArithmeticError, match="odd"):
        over_all(refuses_odd, [0, 2, 4, 5], second=True)


def test_progress_counts_up_to_all():
    told = []

    over_all(triple, [1, 2, 3], second=False, on_done=told.append)

    assert told == [1, 2, 3]
