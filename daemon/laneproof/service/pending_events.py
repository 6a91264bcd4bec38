"""The kernel's events between two passes, of its log and of devices, gathered until they are judged."""

from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent
from laneproof_collectors.unread import Unread, if_read

MOST_EVENTS = 2000
"""What is kept at most until the next pass; a drive that floods the log says nothing new after that."""

_CAN_WAIT = (EventKind.AER_CORRECTABLE, EventKind.BANDWIDTH_LIMITED)


class PendingEvents:
    """Gathers events, and gives them once."""

    def __init__(self) -> None:
        """Begin with none."""
        self._events: list[TimedKernelEvent] = []
        self._devices: list[DeviceEvent] = []
        self._lost = self._records = 0
        self._ends: float | None = None
        self._released: tuple[tuple[str, float], ...] = ()
        self._gap: Unread | None = None
        self._device_gap: Unread | None = None
        self.is_urgent = False
        """Whether something came with the last `add` that should be read at once."""

    def add(self, kernel: KernelEvents | Unread, devices: tuple[DeviceEvent, ...] | Unread) -> None:
        """Add what came since the last time."""
        logged = () if isinstance(kernel, Unread) else kernel.events
        came = if_read(devices)
        # A gap stays until something was read: silence between two turns is not an answer.
        self._gap = kernel if isinstance(kernel, Unread) else None
        self._device_gap = devices if isinstance(devices, Unread) else None
        if not isinstance(kernel, Unread):
            self._lost += kernel.lost
            self._records += kernel.records
            self._ends = self._ends if kernel.ends_up_seconds is None else kernel.ends_up_seconds
            self._released += kernel.released
        self._events = [*self._events, *logged][-MOST_EVENTS:]
        self._devices = [*self._devices, *came][-MOST_EVENTS:]
        self.is_urgent = bool(came) or any(event.event.kind not in _CAN_WAIT for event in logged)

    @property
    def kernel_events(self) -> tuple[TimedKernelEvent, ...]:
        """The kernel's events that wait."""
        return tuple(self._events)

    def add_missed(self, missed: tuple[TimedKernelEvent, ...]) -> None:
        """Add what was read back from the journal; it was before what comes now."""
        self._events = [*missed, *self._events][-MOST_EVENTS:]

    def note_made_up(self) -> None:
        """Take what was lost for read: the journal had what there was of it."""
        self._lost = 0

    def drain(self) -> tuple[KernelEvents | Unread, tuple[DeviceEvent, ...] | Unread]:
        """Return all that was gathered, and begin again with none."""
        kernel: KernelEvents | Unread = KernelEvents(
            tuple(self._events), self._lost, self._records, ends_up_seconds=self._ends, released=self._released
        )
        if self._gap is not None and not self._events and not self._records:
            kernel = self._gap
        devices: tuple[DeviceEvent, ...] | Unread = tuple(self._devices)
        if self._device_gap is not None and not self._devices:
            devices = self._device_gap
        self._events, self._devices, self._lost, self._records, self._ends = [], [], 0, 0, None
        self._released = ()
        return kernel, devices
