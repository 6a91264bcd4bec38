"""A recording in which time passes while one waits, instead of a machine that lives."""

from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import Frame


class PassingTime(RecordedHost):
    """Each wait goes on to the next frame; after the last one only the clock moves."""

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:  # noqa: ARG002 (a host's own signature)
        if not self.advance():
            clock = self.clock()
            self.apply(Frame(t=clock.unix_seconds + seconds, up=clock.up_seconds + seconds))
        return False
