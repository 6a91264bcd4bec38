"""A recorded machine answers as its frames say."""

import base64
import contextlib
import json

from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.questions import (
    Clock,
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Smartctl,
)
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import Frame, Header, RecordingError, parse_frames
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import unread

HEADER = Header(format="laneproof-recording", version=1, host="kelp-1", kernel="6.1.0", boot_id="b1")


def host_of(*frames: dict[str, object]) -> RecordedHost:
    host = RecordedHost(HEADER)
    for frame in frames:
        host.apply(Frame.model_validate({"t": 1.0} | frame))
    return host


def test_links_are_followed_in_any_component() -> None:
    host = host_of(
        {
            "files": {"/sys/devices/pci0000:00/0000:00:01.1/vendor": "0x1b36\n"},
            "links": {
                "/sys/bus/pci/devices/0000:00:01.1": "../../../devices/pci0000:00/0000:00:01.1",
                "/sys/class/pci": "/sys/bus/pci",
            },
        }
    )
    assert host.file("/sys/bus/pci/devices/0000:00:01.1/vendor") == b"0x1b36\n"
    assert host.file("/sys/class/pci/devices/0000:00:01.1/vendor") == b"0x1b36\n"
    assert host.folder("/sys/class/pci/devices") == ("0000:00:01.1",)
    assert host.link("/sys/class/pci/devices/0000:00:01.1") == "../../../devices/pci0000:00/0000:00:01.1"


def test_a_link_to_itself_is_absent() -> None:
    host = host_of({"links": {"/a": "/b", "/b": "/a"}})
    assert isinstance(host.file("/a/x"), Unread)


def test_a_listing_is_the_next_components_of_all_keys() -> None:
    host = host_of(
        {"files": {"/d/a": "1", "/d/e/f": "2"}, "errors": {"/d/b": "EACCES"}, "links": {"/d/c": "a"}, "dirs": ["/d/g"]}
    )
    assert host.folder("/d") == ("a", "b", "c", "e", "g")
    assert host.folder("/d/g") == ()
    assert isinstance(host.folder("/d/h"), Unread)


def test_the_latest_of_content_and_error_wins() -> None:
    host = host_of({"files": {"/f": "1"}}, {"errors": {"/f": "EIO"}})
    assert unread(host.file("/f")).detail == "EIO"
    host.apply(Frame(t=2, binary={"/f": base64.b64encode(b"\xff").decode()}))
    assert host.file("/f") == b"\xff"


def test_gone_takes_all_below_and_the_name_above() -> None:
    host = host_of({"files": {"/d/a/x": "1", "/d/a/y/z": "2", "/d/b": "3"}}, {"gone": ["/d/a"]})
    assert host.folder("/d") == ("b",)
    assert isinstance(host.file("/d/a/y/z"), Unread)
    host.apply(Frame(t=3, files={"/d/a/x": "4"}))
    assert (host.folder("/d"), host.file("/d/a/x")) == (("a", "b"), b"4")


def test_a_new_boot_replaces_the_whole_state() -> None:
    host = host_of({"boot_id": "b1", "files": {"/f": "1"}}, {"boot_id": "b2", "files": {"/g": "2"}})
    assert isinstance(host.file("/f"), Unread)
    assert host.file("/proc/sys/kernel/random/boot_id") == b"b2\n"
    assert host.file("/proc/sys/kernel/osrelease") == b"6.1.0\n"


def test_nvme_answers_merge_key_by_key_and_fail_as_recorded() -> None:
    page = base64.b64encode(bytes(512)).decode()
    host = host_of(
        {"nvme": {"nvme0": {"log:2": page, "identify": {"error": "EACCES"}}}},
        {
            "nvme": {
                "nvme0": {
                    "feature:12": 1,
                    "feature:12:data": page,
                    "log:1": {"status": 2},
                    "log:3": "QU*JD",
                    "feature:6": "on",
                }
            }
        },
    )
    identify, health, errors, slots, apst, cache = host.ask(
        [
            NvmeIdentify("nvme0"),
            *(NvmeLog("nvme0", page_id, 512) for page_id in (2, 1, 3)),
            NvmeFeature("nvme0", 12, 256),
            NvmeFeature("nvme0", 6, 0),
        ]
    )
    assert unread(identify).reason is Reason.DENIED
    assert health == bytes(512)
    assert isinstance(errors, Unread)
    assert (errors.reason, errors.detail) == (Reason.REFUSED, "2")
    assert "not base64" in unread(slots).why
    assert unread(cache).why == "the recording holds no number: 'on'"
    assert apst == FeatureValue(value=1, data=bytes(256))
    host.apply(Frame(t=2, nvme={"nvme0": None}))
    assert isinstance(host.ask([NvmeLog("nvme0", 2, 512)])[0], Unread)


def test_log_records_and_events_belong_to_one_frame() -> None:
    host = host_of({"kmsg": ["6,1,1,-;x"], "uevents": [{"action": "add", "devpath": "/d", "subsystem": "nvme"}]})
    log, events = host.kernel_log(), host.uevents()
    assert not isinstance(log, Unread)
    assert not isinstance(events, Unread)
    assert (log.records, events[0]["action"]) == (("6,1,1,-;x",), "add")
    assert host.uevents() == ()


def test_devices_of_smartctl_are_named_either_way_and_statvfs_reads_posix_names() -> None:
    host = host_of(
        {
            "smartctl": {"/dev/sda": {"model_name": "x"}},
            "statvfs": {"/srv": {"f_frsize": 4096, "f_blocks": 10, "f_bfree": 5, "f_bavail": 4, "f_flag": 1}},
        }
    )
    assert host.ask([Smartctl("sda")]) == [{"model_name": "x"}]
    expected = FileSystemFigures(size_bytes=40960, free_bytes=20480, available_bytes=16384, read_only=True)
    assert host.ask([FileSystem("/srv")]) == [expected]


def test_a_recording_keeps_the_clock_that_stops_in_suspend_and_an_older_one_has_none() -> None:
    assert host_of({"up": 9000.0, "mono": 600.5}).clock() == Clock(
        unix_seconds=1.0, up_seconds=9000.0, monotonic_seconds=600.5
    )
    assert host_of({"up": 9000.0}).clock().monotonic_seconds is None


PATHS = st.sampled_from([
    "/sys/class/nvme", "/sys/class/nvme/nvme0", "/sys/bus/pci/devices/0000:00:01.1", "/sys/devices/pci0000:00",
    "/sys/devices/pci0000:00/0000:00:01.1/config", "/sys/class/block/sda", "/proc/self/mountinfo",
    "/sys/class/block", "/sys/class/net/eth0", "/sys/firmware/dmi/tables/DMI", "/", "", "a", "//", "/sys/../proc",
])  # fmt: skip
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8)
    | st.sampled_from(["EIO", "AAAA"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(PATHS | st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip
TEXTS = st.dictionaries(PATHS, PATHS | st.text(max_size=40), max_size=5)
KEYS = st.sampled_from(["identify", "log:2", "log:1", "feature:12", "feature:12:data", "feature:x", "model_name"])
TABLES = st.dictionaries(
    st.sampled_from(["nvme0", "nvme1", "/dev/sda", "/", ""]), st.none() | st.dictionaries(KEYS, JSON), max_size=3
)
FRAMES = st.fixed_dictionaries(
    {"t": st.integers(0, 2**33)},
    optional={
        "files": TEXTS | JSON, "links": TEXTS | JSON, "errors": TEXTS, "binary": TEXTS, "nvme": TABLES | JSON,
        "smartctl": TABLES, "statvfs": TABLES, "dirs": st.lists(PATHS), "gone": st.lists(PATHS),
        "boot_id": st.sampled_from(["a", "b"]), "up": st.floats(0, 1e9),
        "kmsg": st.lists(st.text(max_size=20), max_size=3), "uevents": st.lists(TEXTS, max_size=2),
    },
)  # fmt: skip


@given(st.lists(FRAMES, max_size=3))
def test_any_frames_give_a_snapshot_or_a_sentence(frames: list[dict[str, object]]) -> None:
    lines = map(json.dumps, frames)
    with contextlib.suppress(RecordingError):
        host = RecordedHost(HEADER, parse_frames(lines))
        while host.advance():
            read_snapshot(host)
            host.kernel_log()
            host.uevents()


def test_chain_of_links_without_end_leads_nowhere() -> None:
    links = {f"/sys/{number}": str(number + 1) for number in range(5000)}
    host = host_of({"links": links, "files": {"/sys/5000": "end\n"}})
    assert isinstance(host.file("/sys/0"), Unread)
    assert host.file("/sys/4990") == b"end\n"
