"""Drives that are sound and count strangely, and kernel lines that sound like faults and are none."""

from simulation.kernel_words import ERROR, Line
from simulation.loads import DAY
from simulation.running_box import Life, RunningBox
from simulation.strange.oddity import Oddity, by_name, find_here, some_life
from support.unread_answers import known

_ALL = 0xFFFFFFFF


class CountersThatCannotBe(Oddity):
    """A drive whose minutes of heat jump to the largest number, and fall back."""

    def prepare(self, box: RunningBox) -> None:
        life = some_life(box)
        for _ in range(box.draw.randint(1, 3)):
            box.at(box.draw.uniform(box.now + DAY, self.until - DAY), lambda: self._jump(box, life))

    def _jump(self, box: RunningBox, life: Life) -> None:
        if life.drive is None:
            return
        health = life.drive.health
        before = health.critical_minutes, health.warning_minutes
        setattr(health, box.draw.choice(("critical_minutes", "warning_minutes")), _ALL)

        def fall_back() -> None:
            health.critical_minutes, health.warning_minutes = before

        if box.draw.random() < 0.5:
            box.at(box.now + box.draw.uniform(0.1, 20) * DAY, fall_back)


class FirmwareCountsAnew(Oddity):
    """New firmware of a drive counts otherwise: media errors, unsafe shutdowns and hours jump, or begin again."""

    def prepare(self, box: RunningBox) -> None:
        box.at(box.draw.uniform(box.now + 3 * DAY, self.until - 3 * DAY), lambda: self._update(box))

    def _update(self, box: RunningBox) -> None:
        if box.is_off:
            box.at(box.now + DAY / 4, lambda: self._update(box))
            return
        model, jump = known(some_life(box).drive).model, box.draw.choice((-1, 7, 600))
        for drive in [other.drive for other in box.lives if other.drive and other.drive.model == model]:
            drive.firmware = f"{drive.firmware[:2]}77"
            health = drive.health
            health.media_errors = 0 if jump < 0 else health.media_errors + jump
            health.unsafe_shutdowns = 0 if jump < 0 else health.unsafe_shutdowns + jump
            health.error_log_entries = 0
        if box.draw.random() < 0.5:
            box.shut_down(seconds=200)  # else the drives take it over while they run
        else:
            box.changed()


class TwinSerials(Oddity):
    """Two drives of a cheap make with one serial number."""

    def prepare(self, box: RunningBox) -> None:
        for drive in box.draw.sample([life.drive for life in box.lives if life.drive], 2):
            drive.serial, drive.model = "0123456789ABCDEF", "Ebbtide E1"


class OddBytes(Oddity):
    """A health log with bytes that mean nothing: spare threshold and share used both 255."""

    def prepare(self, box: RunningBox) -> None:
        chosen = box.lives if box.draw.random() < 0.3 else [some_life(box)]
        for life in chosen:
            if life.drive is not None:
                life.drive.health.spare_threshold_percent = 255
                life.drive.health.percentage_used = 255


class CountsEachStop(Oddity):
    """Drives that count each power-off as unsafe, since the board cuts their power a little too soon."""

    def prepare(self, box: RunningBox) -> None:
        """With the power off each night, as a thrifty owner has it."""
        self.daily(box, 22.0, self._stop, every=box.draw.choice((1, 2, 7)))

    def _stop(self, box: RunningBox) -> None:
        if box.is_off:
            return
        box.shut_down(seconds=8 * 3600, power_off=True)
        for life in box.lives:
            if life.drive is not None:
                life.drive.health.unsafe_shutdowns += 1


class SpareFlutters(Oddity):
    """A drive whose spare goes from 100 to 99 per cent and back, and whose hours stand still while it rests."""

    life: Life

    def prepare(self, box: RunningBox) -> None:
        self.life = some_life(box)

    def tick(self, box: RunningBox) -> None:
        """Flutter."""
        if self.life.drive is not None:
            self.life.drive.health.spare_percent = box.draw.choice((100, 100, 100, 99))
            if self.life.load == 0:
                self.life.minutes["on"] = 0.0


class ColdReading(Oddity):
    """A drive that states nought kelvin, or 255 degrees, once in a while."""

    def prepare(self, box: RunningBox) -> None:
        life = some_life(box)
        self.often(box, 150, lambda box: self._state(box, life))

    def _state(self, box: RunningBox, life: Life) -> None:
        if drive := find_here(box, life):
            before = drive.health.temperature_celsius
            drive.health.temperature_celsius = box.draw.choice((-273.0, 255.0))
            box.frame()
            drive.health.temperature_celsius = before


class ReplayTimeouts(Oddity):
    """Links that rest in L1: the port's replay timer runs out now and then on the way out, and no packet is damaged."""

    _an_hour: float
    _paths: tuple[str, ...]

    def prepare(self, box: RunningBox) -> None:
        self._an_hour = box.draw.choice((0.2, 2.0, 20.0))
        chosen = box.lives if box.draw.random() < 0.4 else [some_life(box)]
        self._paths = tuple(life.port.path for life in chosen)
        box.box.chosen_policy = box.draw.choice(("default", "powersave"))
        for life in box.lives:
            life.port.aspm_enabled = 2

    def tick(self, box: RunningBox) -> None:
        """Count."""
        for life in box.lives:
            if life.port.path in self._paths and find_here(box, life) and box.draw.random() < self._an_hour / 4:
                number = max(1, round(self._an_hour / 4))
                life.port.counters["Timeout"] = life.port.counters.get("Timeout", 0) + number
                if box.view.error_lines and life.port.has_aer:
                    port = life.port.address
                    box.say(box.words.corrected(
                        port=port, source=port, driver="pcieport", name="Timeout", ids="fff3:1004", many=False,
                    ))  # fmt: skip


class AdvisoryReports(Oddity):
    """A drive that refuses a request it does not know, and reports that as an advisory error: nothing is damaged.

    Source: PCI Express Base Specification 6.0, 6.2.3.2.4 (advisory non-fatal error cases).
    """

    def prepare(self, box: RunningBox) -> None:
        life = some_life(box)
        self.often(box, 365 * box.draw.choice((1, 6, 40)), lambda box: self._report(box, life))

    def _report(self, box: RunningBox, life: Life) -> None:
        if (drive := find_here(box, life)) is None:
            return
        drive.counters["NonFatalErr"] = drive.counters.get("NonFatalErr", 0) + 1
        if not box.view.error_lines:
            return
        port, address = life.port.address, drive.address
        word = "Correctable" if box.words.version >= (6, 8) else "Corrected"
        lines = [
            f"pcieport {port}: AER: {word} error received: {address}",
            f"nvme {address}: PCIe Bus Error: severity={word}, type=Transaction Layer, (Receiver ID)",
            f"nvme {address}:   device [{drive.vendor:04x}:{drive.device:04x}] error status/mask=00002000/0000c000",
            f"nvme {address}:    [13] NonFatalErr           ",
        ]
        box.say([Line(text, device=device) for text, device in zip(lines, (port, *[address] * 3), strict=True)])


class CommandsRefused(Oddity):
    """Commands that a drive does not support, and lines of the block layer that say so.

    Source: block/blk-core.c, ``blk_errors``.
    """

    def prepare(self, box: RunningBox) -> None:
        self.daily(box, 0.2, self._refuse, every=box.draw.choice((1, 7)))

    def _refuse(self, box: RunningBox) -> None:
        if (drive := find_here(box, some_life(box))) is None:
            return
        disk = f"nvme{drive.number}n1"
        text = box.draw.choice((
            f"operation not supported error, dev {disk}, sector 2048 op 0x9:(WRITE_ZEROES) flags 0x800 phys_seg 0",
            f"operation not supported error, dev {disk}, sector 0 op 0x3:(DISCARD) flags 0x800 phys_seg 1",
        ))  # fmt: skip
        box.say([Line(text, ERROR)])
        box.refuse_commands(drive, 1)


ODDITIES = by_name(
    CountersThatCannotBe, FirmwareCountsAnew, TwinSerials, OddBytes, CountsEachStop, SpareFlutters, ColdReading,
    ReplayTimeouts, AdvisoryReports, CommandsRefused,
)  # fmt: skip
