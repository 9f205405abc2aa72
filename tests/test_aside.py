"""The process that draws beside the one that computes: what is told when it ends early."""

from __future__ import annotations

import os
import signal
import sys

import pytest

from linkview.app.aside import drawing_aside, drawn
from linkview.errors import GraphicsMissing


@pytest.mark.gl
@pytest.mark.skipif(sys.platform == "win32", reason="no POSIX signals there")
def test_a_drawing_process_that_is_ended_while_it_draws_is_told_in_words(tmp_path):
    with drawing_aside() as aside:
        aside.require_graphics()
        (worker,) = aside._pool._processes
        os.kill(worker, signal.SIGKILL)
        with pytest.raises(GraphicsMissing, match="ended while drawing"):
            drawn([aside.four_views(None, tmp_path)])  # type: ignore[arg-type]
        # Asked after its end is the same as asked before.
        with pytest.raises(GraphicsMissing, match="Everything else is written"):
            drawn([aside.four_views(None, tmp_path)])  # type: ignore[arg-type]
