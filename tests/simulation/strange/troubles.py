"""Boxes in trouble of an odd kind: what must be said of each, and what must not."""

from collections.abc import Sequence

from laneproof.findings import Change, FindingChange, Severity
from simulation.faults import PathFault
from simulation.kernel_words import Line
from simulation.loads import DAY
from simulation.losing import Manner, Return, lose
from simulation.running_box import Life, RunningBox
from simulation.scoring import concerns, is_alarm
from simulation.strange.oddity import HOUR, Oddity, add_platform_disk, add_sata, by_name, find_here, some_life
from simulation.worlds import World
from support.unread_answers import known

MOST_ALARMS = 5
"""How often one trouble may alarm in a month: once, and when it grows."""


class Trouble(Oddity):
    """An odd way to fail."""

    life: Life

    def about(self, world: World, changes: Sequence[FindingChange]) -> list[FindingChange]:
        """Give what was said of the drive or position in trouble since it began."""
        paths, since = {self.life.port.path}, self.began_at - HOUR
        return [
            change for change in changes if change.at >= since and concerns(world, paths, self.serials, change.finding)
        ]

    def choose(self, box: RunningBox, begins: float) -> Life:
        """Choose the drive in trouble, and when that begins."""
        life = self.life = some_life(box)
        self.serials.add(known(life.drive).serial)
        self.began_at = begins
        return life


def raised(changes: Sequence[FindingChange], *rules: str) -> list[FindingChange]:
    """Give what was raised by some rules."""
    return [change for change in changes if change.change is Change.RAISED and change.finding.rule in rules]


def loud_count(changes: Sequence[FindingChange]) -> int:
    """Count how often an alarm was raised, or grew out of a notice."""
    standing: dict[tuple[str, str], bool] = {}
    count = 0
    for change in changes:
        before, now = standing.get(change.finding.identity, False), is_alarm(change)
        standing[change.finding.identity] = now
        count += now and not before
    return count


class RetrainsAllDay(Trouble):
    """A link that falls to a lower rate and comes back, several times a day: one trouble, and no fifty alarms."""

    def prepare(self, box: RunningBox) -> None:
        begin = box.now + 4 * DAY
        life = self.choose(box, begin)
        per_day = box.draw.choice((1.5, 4.0))
        t = begin
        while (t := t + box.draw.expovariate(per_day / DAY)) < self.until:
            box.at(t, lambda: self._fall(box, life))

    def _fall(self, box: RunningBox, life: Life) -> None:
        if not find_here(box, life) or life.port.forced_generation is not None:
            return
        life.port.forced_generation = 1
        box.changed()
        box.at(box.now + box.draw.uniform(0.5, 6) * HOUR, lambda: self._rise(box, life))

    def _rise(self, box: RunningBox, life: Life) -> None:
        life.port.forced_generation = None
        box.changed()

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """It is said, and not each time."""
        mine = self.about(world, changes)
        count = loud_count(mine)
        wrong = [] if any(map(is_alarm, mine)) else ["no alarm for a link that retrains down each day"]
        return wrong + ([f"{count} alarms for one link that retrains"] if count > MOST_ALARMS else [])


class RestartsUnasked(Trouble):
    """The whole box restarts without being asked, a few times a week: no shutdown, no power lost at the drives."""

    def prepare(self, box: RunningBox) -> None:
        self.began_at = box.now + 3 * DAY
        loses_power = box.draw.random() < 0.5
        for _ in range(9):
            t = box.draw.uniform(self.began_at, self.until - HOUR)
            box.at(t, lambda: box.shut_down(seconds=40, cut=loses_power, reset=not loses_power))

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:  # noqa: ARG002 (of the whole box)
        """A word of it."""
        said = raised(changes, "restarted-unasked", "unsafe-shutdowns-rising")
        return [] if said else ["nine unasked restarts without a word"]


class HealthAllOnes(Trouble):
    """A drive's health log reads all ones for twelve days, while the drive works."""

    def prepare(self, box: RunningBox) -> None:
        life = self.choose(box, box.now + 4 * DAY)

        def begin() -> None:
            if life.drive is not None:
                life.drive.health_bytes = b"\xff" * 512
                box.changed()

        box.at(box.now + 4 * DAY, begin)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """Twelve days are worth more than a notice."""
        last: dict[tuple[str, str], FindingChange] = {}
        for change in self.about(world, changes):
            last[change.finding.identity] = change
        standing = [change.finding for change in last.values() if change.change is not Change.CLEARED]
        if not standing:
            return ["nothing is said of a health log of all ones"]
        if all(finding.severity is Severity.NOTICE for finding in standing):
            return ["a health log of all ones for days stays a notice"]
        return []


def lose_data(box: RunningBox, life: Life) -> None:
    """Let a drive find a dozen blocks that it cannot give back."""
    if (drive := find_here(box, life)) is None or drive.number is None:
        return
    drive.health.media_errors += 12
    drive.health.error_log_entries += 12
    drive.health.spare_percent = max(3, drive.health.spare_percent - 13)
    if drive.health.spare_percent < drive.health.spare_threshold_percent:
        drive.health.critical_warning |= 1
    box.say(box.words.bad_medium(drive.number, sector=box.draw.randrange(1 << 32)))


class ClockLeapsBelowAnAlarm(Trouble):
    """A drive loses data and an alarm stands; then a boot begins years ahead or back. The alarm must stand on."""

    def prepare(self, box: RunningBox) -> None:
        begin = box.now + 5 * DAY
        life = self.choose(box, begin)
        for hour in (1, 3, 6, 10, 15, 20, 24, 28):
            box.at(begin + hour * HOUR, lambda: lose_data(box, life))
        box.at(begin + 1.6 * DAY, lambda: self._restart(box, box.draw.choice((5 * 365 * DAY, -5 * 365 * DAY))))

    def _restart(self, box: RunningBox, error: float) -> None:
        box.clock_error = error
        box.shut_down(seconds=90)

        def mend() -> None:
            box.clock_error = 0.0
            box.frame()

        box.at(box.now + 12 * HOUR, mend)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """What was critical is not cleared within a day of running."""
        paths = {self.life.port.path}
        mine = [change for change in changes if concerns(world, paths, self.serials, change.finding)]
        if not any(change.finding.severity is Severity.CRITICAL for change in mine):
            return ["no critical alarm for a drive that loses data"]
        standing: dict[tuple[str, str], bool] = {}
        for change in mine:
            standing[change.finding.identity] = is_alarm(change)
        return [] if any(standing.values()) else ["the alarm was cleared, and the drive is as it was"]


class LosesDataInANewSocket(Trouble):
    """Two troubles at one position: a link that made errors gets a new cable; a week later its drive loses data."""

    def prepare(self, box: RunningBox) -> None:
        length = self.until - box.now
        begin = box.now + 0.6 * length
        life = self.choose(box, begin)
        cable = PathFault(
            port=life.port, began_at=box.now + DAY, cured_at=box.now + 0.25 * length, errors_an_hour=60.0,
            doubling_days=5.0, drops_an_hour=0.0,
        )  # fmt: skip
        box.influences.append(cable)
        self.excused.append((life.port.path, box.now, self.until, "the cable"))
        for hour in (0, 5, 9, 20, 30, 48, 60, 72):
            box.at(begin + hour * HOUR, lambda: lose_data(box, life))

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """The drive is what is named, and data come first."""
        mine = [change.finding for change in self.about(world, changes) if is_alarm(change)]
        named = [
            finding for finding in mine if finding.rule in ("media-errors-rising", "spare-low", "critical-warning")
        ]
        if not named:
            return ["no alarm for a drive that loses data in a socket that had trouble"]
        wrong = [f"{finding.rule}: {finding.causes[0].cause}" for finding in named
                 if finding.causes and finding.causes[0].cause == "signal-path"]  # fmt: skip
        firsts = [(finding.rule, finding.next_steps[0].lower()) for finding in named if finding.next_steps]
        late = [rule for rule, step in firsts if not any(word in step for word in ("copy", "back up", "backup"))]
        return wrong[:1] + [f"{rule}: saving the data is not the first step" for rule in late[:1]]


class ModelHangsTogether(Trouble):
    """Three drives of one model hang within a minute, again and again, and nothing else does: their firmware."""

    def prepare(self, box: RunningBox) -> None:
        """At the same uptime, as counters that overflow do."""
        self.began_at = box.now + 3 * DAY
        lives = [life for life in box.lives if life.drive and "/01." in life.port.path][:3]
        drives = [known(life.drive) for life in lives]
        self.serials |= {drive.serial for drive in drives}
        for drive in drives:
            drive.model = drives[0].model
        manner = Manner(silent=False, comes_back=Return.RESET, away_seconds=20)
        t = self.began_at
        while t < self.until:
            for life in lives:
                box.at(t + box.draw.uniform(0, 50), lambda life=life: lose(box, life, manner))
            t += 4 * DAY * box.draw.uniform(0.98, 1.02)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:  # noqa: ARG002 (of the whole box)
        """No supply is blamed."""
        wrong = {
            change.finding.rule for change in changes
            if change.finding.causes and change.finding.causes[0].cause == "shared-supply" and is_alarm(change)
        }  # fmt: skip
        said = any(is_alarm(change) for change in changes)
        return [f"{rule}: shared-supply, where a model is what they share" for rule in sorted(wrong)] + (
            [] if said else ["no word of drives that hang"]
        )


class WornOut(Trouble):
    """A drive at the end of its rated life, with no error at all; it may turn read-only."""

    def prepare(self, box: RunningBox) -> None:
        life = self.choose(box, box.now)
        known(life.drive).health.percentage_used = 97
        turns = box.draw.random() < 0.4

        def wear(_: RunningBox) -> None:
            if life.drive is not None:
                health = life.drive.health
                health.percentage_used = min(254, health.percentage_used + 1)
                if turns and health.percentage_used > 105:
                    health.critical_warning |= 8

        self.daily(box, 4.0, wear, every=2)
        self.excused.append((life.port.path, box.now, self.until, "worn out"))

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """It is said for what it is: no media errors are made up."""
        mine = self.about(world, changes)
        wrong = []
        if not any(change.finding.rule in ("endurance-ending", "critical-warning") for change in mine):
            wrong.append("nothing is said of a drive that is worn out")
        for change in mine:
            for cause in change.finding.causes[:1]:
                reasons = " ".join(cause.because).lower()
                if "media error" in reasons and "no " not in reasons:
                    wrong.append(f"{change.finding.rule}: {cause.cause} because of media errors, and there are none")
        return wrong[:2]


class FailsOnAPlatform(Trouble):
    """An Arm board's disk that is no PCI function fails: sectors are lost."""

    def prepare(self, box: RunningBox) -> None:
        """Pending and reallocated sectors rise."""
        disk = add_platform_disk(box)
        self.serials.add(disk.serial)
        self.began_at = box.now + 3 * DAY

        def worse(count: int) -> None:
            report = disk.report({5: 8 * count, 197: 3 * count, 198: count})
            report["smart_status"] = {"passed": count < 6}
            box.box.smartctl["sda"] = report
            box.say([Line(f"ata1.00: error: {{ UNC }} ({count})", 3)])
            box.changed()

        for count in range(1, 9):
            box.at(self.began_at + count * 0.8 * DAY, lambda count=count: worse(count))

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:  # noqa: ARG002 (of the whole box)
        """It is alarmed for."""
        said = any(
            "SHOAL0901" in f"{finding.key} {finding.evidence}" or "sda" in finding.subject or "fc800000" in finding.key
            for finding in (change.finding for change in changes if is_alarm(change))
        )
        return [] if said else ["a failing disk below no PCI function is not reported"]


class LosesPacketsOnItsCable(Trouble):
    """A SATA disk whose cable damages what it carries: aborted commands and CRC errors, and no sector is lost.

    Source: drivers/ata/libata-eh.c, the words of a command's error; ACS-4, interface CRC (ICRC).
    """

    def prepare(self, box: RunningBox) -> None:
        (disk,) = add_sata(box, 1)
        self.serials.add(disk.serial)
        began_at = self.began_at = box.now + 3 * DAY
        count = 0

        def worse(box: RunningBox) -> None:
            nonlocal count
            if box.is_off or box.now < began_at:
                return
            count += box.draw.randint(5, 60)
            box.box.smartctl[disk.name] = disk.report({199: count})
            words = (
                "ata1.00: exception Emask 0x10 SAct 0x8000 SErr 0x280100 action 0x6 frozen",
                "ata1: SError: { UnrecovData 10B8B BadCRC }",
                "ata1.00: failed command: READ FPDMA QUEUED",
                "ata1.00: status: { DRDY ERR }",
                "ata1.00: error: { ICRC UNC ABRT }",
                "ata1: hard resetting link",
            )
            box.say([Line(text, 3) for text in words])
            box.changed()

        self.often(box, 365 * 3, worse)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:  # noqa: ARG002 (of one disk)
        """The cable is what is said, and no sector."""
        said = {
            change.finding.rule
            for change in changes
            if any(mark in f"{change.finding.key} {change.finding.summary}" for mark in (*self.serials, "ata-1"))
        }
        wrong = [
            f"{rule}, and no sector was lost" for rule in ("sectors-failing", "media-errors-rising") if rule in said
        ]
        return wrong if "interface-errors" in said else ["no word of a cable that damages packets", *wrong]


TROUBLES = by_name(
    LosesPacketsOnItsCable, RetrainsAllDay, RestartsUnasked, HealthAllOnes, ClockLeapsBelowAnAlarm,
    LosesDataInANewSocket, ModelHangsTogether, WornOut, FailsOnAPlatform,
)  # fmt: skip
