"""Following every node of a network downstream at once, by path doubling.

Each node has one receiver, the node its water runs to next, or itself where the water stops.
Replacing every receiver by its receiver's receiver doubles the length of all steps, so a path of a
million pipes is walked in twenty rounds of array look-ups.

References
----------
Hillis, W. D., Steele, G. L. (1986). Data parallel algorithms. Communications of the ACM 29(12),
1170-1183, doi:10.1145/7902.7903 (from memory): pointer doubling along linked lists.
Braun, J., Willett, S. D. (2013). A very efficient O(n), implicit and parallel method to solve the
stream power equation. Geomorphology 180-181, 170-179, doi:10.1016/j.geomorph.2012.10.008 (from
memory): one receiver per node.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def loop_nodes(receiver: IntArray) -> IntArray:
    """Return the nodes that lie on a loop of two or more nodes, ascending.

    Notes
    -----
    After as many steps as there are nodes, a path stands still or goes round a loop; and since each
    loop maps onto itself, every node of it is where some path then stands.

    >>> loop_nodes(np.array([1, 2, 1, 3]))
    array([1, 2])
    """
    jump = receiver
    for _ in range(max(1, len(receiver)).bit_length()):
        onward = jump[jump]
        if np.array_equal(onward, jump):
            break
        jump = onward
    return np.unique(jump[receiver[jump] != jump])


def follow(receiver: IntArray, *weights: FloatArray) -> tuple[IntArray, list[FloatArray]]:
    """Return the last node of every node's path, and each weight summed along it.

    Parameters
    ----------
    receiver
        Next node of each node; itself where the path ends. Free of loops (:func:`loop_nodes`).
    weights
        What the step out of each node adds; nothing is added where the path ends.

    Examples
    --------
    >>> end, (run,) = follow(np.array([1, 2, 2]), np.array([10.0, 5.0, 99.0]))
    >>> end.tolist(), run.tolist()
    ([2, 2, 2], [15.0, 5.0, 0.0])
    """
    jump = receiver.copy()
    stops = jump == np.arange(len(jump))
    totals = [np.where(stops, 0.0, weight) for weight in weights]
    while True:
        onward = jump[jump]
        if np.array_equal(onward, jump):
            return jump, totals
        for total in totals:
            total += total[jump]
        jump = onward
