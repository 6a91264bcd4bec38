"""drops-off-bus: a drive that stopped answering."""

from collections.abc import Iterator

from laneproof.advice import BACK_UP, RESEAT, advise
from laneproof.findings import Finding, Kind
from laneproof.rules.drives.episode_series import OFF_BUS_NAME, by_position, find_series, report_series
from laneproof.rules.rule import Pass, Rule, holds, sign


def _judge(current: Pass) -> Iterator[Finding]:
    for watched, episodes in by_position(current):
        position = current.build.position_at(watched.path) if current.build else None
        may_leave = position is not None and position.removable
        lost = [episode for episode in episodes if episode.dropped and not (may_leave and episode.only_left)]
        if lost and (series := find_series(current.past.ledger, watched.path, lost)) is not None:
            resets = sum(
                not episode.dropped and episode.dropped_at >= series.episodes[0].dropped_at for episode in episodes
            )
            yield report_series(current.past, watched, series, DROPS_OFF_BUS, resets=resets)


DROPS_OFF_BUS = Rule(
    name=OFF_BUS_NAME,
    kind=Kind.SIGN,
    statement="No drive drops off the bus while the machine runs.",
    why=(
        "A drive that stops answering takes its array's redundancy with it, and one that did so once does so again. "
        "The kernel's advice about power saving is printed for each disconnect and is no evidence. Each is reported "
        "once; another one within the clean time makes it critical. The sign clears when it has been clean "
        "for as long as its own history asks for (between two and thirty days), or when the trial of a fix has passed. "
        "Where the kernel's log can never be read, nobody knows whether a drive that left was taken out: that is a "
        "notice, an alarm from the third time on, and nothing at a position that is declared removable."
    ),
    next_steps=advise(
        "See that the drive is back and its array whole before anything else.",
        BACK_UP,
        "Look at what the last episodes have in common: load, temperature, idle states, other drives, the time.",
        RESEAT,
    ),
    judge=_judge,
    examples=(
        holds("a month in which no drive dropped off"),
        sign(
            "the controller stopped answering twice in ten days",
            "riser-1 (nvme0) dropped off the bus 2 times in 10 days, last at 2026-10-22 14:12 UTC; it came "
            "back; its registers did not answer, its config space did",
        ),
        holds("the owner took a drive out in good order, and put it back"),
    ),
    sources=(
        "Linux drivers/nvme/host/pci.c, drivers/pci/hotplug/pciehp_ctrl.c, drivers/pci/pcie/dpc.c: the messages",
        "Clean time: negative binomial prediction with Jeffreys' prior",
    ),
)
