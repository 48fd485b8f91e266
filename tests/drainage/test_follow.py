import numpy as np

from vaultplan.drainage.follow import follow, loop_nodes


def test_weights_add_up_to_the_end_and_nothing_is_added_there():
    receiver = np.array([1, 2, 3, 3, 3])
    end, (run, count) = follow(receiver, np.array([1.0, 2, 4, 100, 8]), np.ones(5))
    assert end.tolist() == [3, 3, 3, 3, 3]
    assert run.tolist() == [7, 6, 4, 0, 8]
    assert count.tolist() == [3, 2, 1, 0, 1]


def test_every_node_of_every_loop_is_found_and_no_node_that_leads_into_one():
    # 0 -> 1 -> 2 -> 0 is a loop of three, 3 -> 4 <-> 5 one of two, 6 leads in, 7 ends.
    receiver = np.array([1, 2, 0, 4, 5, 4, 0, 7])
    assert loop_nodes(receiver).tolist() == [0, 1, 2, 4, 5]


def test_a_path_of_100_000_steps_is_followed_to_its_end():
    count = 100_000
    receiver = np.minimum(np.arange(1, count + 1), count - 1)
    end, (run,) = follow(receiver, np.ones(count))
    assert (end == count - 1).all()
    assert run[0] == count - 1


def test_an_unknown_step_makes_the_runs_above_it_unknown_and_no_other():
    _, (run,) = follow(np.array([1, 2, 3, 3]), np.array([1.0, np.nan, 3.0, 0.0]))
    assert np.isnan(run[:2]).all()
    assert run[2:].tolist() == [3, 0]


def test_no_nodes_at_all():
    end, (run,) = follow(np.array([], dtype=np.int64), np.array([]))
    assert len(end) == len(run) == 0
    assert len(loop_nodes(np.array([], dtype=np.int64))) == 0
