"""Pure: which second of a bed's signal a block is, the same for detector and page, so that marks fit the strip."""


def second_after(second: int, seq: int, t: int, next_seq: int, next_t: int) -> int:
    """Return the second of a block that follows another of the same session; seq counts seconds, t is in ms.

    The sequence number decides, unless the device's clock says that more time has passed (a pause). A clock that
    jitters or was set back is ignored.
    """
    ahead = next_seq - seq
    passed = (next_t - t + 500) // 1000
    return second + (ahead if passed <= ahead + 1 else passed)


def second_anew(second: int, next_t: int) -> int:
    """Return the second of the first block of another session, or after a device has restarted its count."""
    return max(second + 1, next_t // 1000)
