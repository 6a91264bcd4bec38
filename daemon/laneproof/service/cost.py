"""What the daemon itself costs the box that it watches, through psutil."""

import psutil

from laneproof.service.published import OwnCost


class CostMeter:
    """Measures this process."""

    def __init__(self) -> None:
        """Take hold of this process."""
        self._process = psutil.Process()

    def read(self) -> OwnCost:
        """Take all figures in one go."""
        with self._process.oneshot():
            times = self._process.cpu_times()
            try:
                traffic = self._process.io_counters()
            except (psutil.Error, OSError, NotImplementedError):
                traffic = None
            return OwnCost(
                processor_seconds=times.user + times.system + times.children_user + times.children_system,
                resident_bytes=self._process.memory_info().rss,
                threads=self._process.num_threads(),
                open_files=self._process.num_fds(),
                read_bytes=traffic.read_bytes if traffic else None,
                written_bytes=traffic.write_bytes if traffic else None,
            )
