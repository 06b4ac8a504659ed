"""Pure: which second of a bed's signal a block is. Detector and page must agree, or marks would not fit the strip."""


def second_after(second: int, seq: int, t: int, next_seq: int, next_t: int) -> int:
    """Return the second of a block that follows another of the same session; seq counts seconds, t is in ms.

    The sequence number counts. Where the device's clock says that more time has passed, the clock is believed (a
    pause); where it trembles or says less, the number is (a clock set back).
    """
    ahead = next_seq - seq
    passed = (next_t - t + 500) // 1000
    return second + (ahead if passed <= ahead + 1 else passed)


def second_anew(second: int, next_t: int) -> int:
    """Return the second of the first block of another session, or of a device that has begun to count anew."""
    return max(second + 1, next_t // 1000)
