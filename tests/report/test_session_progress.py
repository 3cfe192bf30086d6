"""The reading of session files in the kernel reaches the bar of whoever started the report."""

from agreement.report.run.render import (
    PROGRESS_VARIABLE,
    _sessions_told,
    sessions_read,
    told_to_starter,
)


def test_what_the_kernel_tells_reaches_the_bar_once(tmp_path, monkeypatch):
    place = tmp_path / "read.txt"
    monkeypatch.setenv(PROGRESS_VARIABLE, str(place))
    told = []
    look = _sessions_told(place, lambda *now: told.append(now))
    look()  # nothing known yet
    tell = told_to_starter()
    tell(1, 300)
    tell(2, 300)  # within a fifth of a second: not worth a write
    look()
    look()
    tell(300, 300)
    look()
    assert told == [(1, 300, "Reading sessions")]
    assert sessions_read(place) == (300, 300)


def test_a_half_written_number_is_nothing_yet(tmp_path):
    (tmp_path / "read.txt").write_text("12", encoding="ascii")
    assert sessions_read(tmp_path / "read.txt") is None


def test_outside_a_report_nothing_is_told(monkeypatch):
    monkeypatch.delenv(PROGRESS_VARIABLE, raising=False)
    assert told_to_starter() is None
