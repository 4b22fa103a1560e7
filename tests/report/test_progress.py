"""The progress line. Time is a list of moments: nothing waits."""

import io

from mixmon.report.progress import Progress


class _Terminal(io.StringIO):
    def isatty(self):
        return True


def run(stream, moments, *, total=100, quiet=False, positions=(25, 50)):
    clock = iter(moments)
    with Progress(stream, total, quiet=quiet, clock=lambda: next(clock)) as progress:
        for position in positions:
            progress.advance(1000, position)
    return stream.getvalue()


def test_a_terminal_sees_speed_share_and_time_left_and_the_line_is_wiped():
    assert run(_Terminal(), [0.0, 1.0, 2.0, 2.0]) == (
        "\r\x1b[K1 000 frames, 1 000 a second, 25 %, 3 s left"
        "\r\x1b[K2 000 frames, 1 000 a second, 50 %, 2 s left"
        "\r\x1b[K"
    )


def test_a_terminal_sees_nothing_of_work_that_is_done_within_a_second():
    assert run(_Terminal(), [0.0, 0.4, 0.9, 0.9]) == ""


def test_the_line_is_redrawn_at_most_five_times_a_second():
    assert run(_Terminal(), [0.0, 1.0, 1.1, 1.1]).count("left") == 1


def test_a_source_without_an_end_tells_no_time_left():
    shown = run(_Terminal(), [0.0, 2.0, 2.0, 2.0], total=None, positions=(None, None))
    assert shown == "\r\x1b[K1 000 frames, 500 a second\r\x1b[K"


def test_a_second_read_of_the_same_is_timed_by_itself():
    shown = run(_Terminal(), [0.0, 1.0, 2.0, 3.0, 4.0, 4.0], positions=(50, 100, 25, 50))
    assert shown.endswith("\r\x1b[K2 000 frames, 1 000 a second, 50 %, 2 s left\r\x1b[K")


def test_a_file_gets_one_line_at_the_end_of_long_work():
    assert run(io.StringIO(), [0.0, 1.0, 2.0, 2.5]) == "2 000 frames read in 2.5 s\n"
    assert run(io.StringIO(), [0.0, 0.1, 0.2, 0.3]) == ""


def test_quiet_says_nothing_anywhere():
    assert run(_Terminal(), [0.0, 1.0, 2.0, 2.5], quiet=True) == ""
    assert run(io.StringIO(), [0.0, 1.0, 2.0, 2.5], quiet=True) == ""
