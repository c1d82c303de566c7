"""How far a long assessment is: shown on a terminal, never to a pipe."""

from __future__ import annotations

import pytest

from monitor.cli import output


@pytest.mark.parametrize("terminal", [True, False])
def test_progress_is_shown_on_a_terminal_and_never_to_a_pipe(
    terminal: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(output, "_WORTH_A_BAR_S", 0.0)
    if terminal:
        monkeypatch.setenv("FORCE_COLOR", "1")
        monkeypatch.setenv("TERM", "xterm")
    else:
        monkeypatch.delenv("FORCE_COLOR", raising=False)
    with output.working("weighing what 3 boxes say") as show:
        show(0.5)
    out, shown = capsys.readouterr()
    assert out == ""
    if terminal:
        assert "weighing what 3 boxes say" in shown
        assert "━" in shown
    else:
        assert shown == ""
