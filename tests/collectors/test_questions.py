"""Questions have names that people understand, and failures are answers with a reason."""

import errno
import os

import pytest

from laneproof_collectors.questions import (
    FileSystem,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadClock,
    ReadFile,
    ReadJournal,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    ReadUevents,
    Smartctl,
    name_question,
    unread_from_errno,
    unread_from_nvme_status,
)
from laneproof_collectors.unread import Reason


@pytest.mark.parametrize(
    ("question", "name"),
    [
        (ReadFile("/proc/cmdline"), "/proc/cmdline"),
        (ReadRange("/x/config", 0, 64), "/x/config"),
        (ReadLink("/x"), "/x"),
        (ListFolder("/sys"), "/sys"),
        (NvmeIdentify("nvme0"), "Identify of nvme0"),
        (NvmeLog("nvme0", 2, 512), "log 02h of nvme0"),
        (NvmeLog("nvme0", 0xCA, 512), "log CAh of nvme0"),
        (NvmeFeature("nvme1", 12), "feature 0Ch of nvme1"),
        (Smartctl("sda"), "smartctl of sda"),
        (FileSystem("/srv"), "file system at /srv"),
        (ReadKernelLog(), "the kernel log"),
        (ReadUevents(), "the kernel's device events"),
        (ReadClock(), "the clock"),
        (ReadJournal(), "the journal of this boot"),
        (ReadJournal(boot=-2), "the journal of boot -2"),
    ],
)
def test_a_question_is_named_as_a_person_would(question: Question, name: str) -> None:
    assert name_question(question) == name


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.ENOENT, Reason.ABSENT),
        (errno.ENOTDIR, Reason.ABSENT),
        (errno.EACCES, Reason.DENIED),
        (errno.EPERM, Reason.DENIED),
        (errno.ENODEV, Reason.GONE),
        (errno.ENXIO, Reason.GONE),
        (errno.ETIMEDOUT, Reason.TIMED_OUT),
        *((number, Reason.EXHAUSTED) for number in (errno.EMFILE, errno.ENFILE, errno.ENOMEM)),
        (errno.EIO, Reason.FAILED),
        (errno.EINVAL, Reason.FAILED),
    ],
)
def test_an_errno_becomes_a_reason_with_its_name(number: int, reason: Reason) -> None:
    unread = unread_from_errno("it", number)
    assert (unread.what, unread.reason, unread.detail) == ("it", reason, errno.errorcode[number])
    assert unread.detail in unread.why
    assert str(unread).startswith("could not read it: ")


def test_an_errno_that_no_table_knows_is_reported_as_the_number() -> None:
    unread = unread_from_errno("it", 4095)
    assert unread.detail == "4095"
    assert os.strerror(4095).lower() in unread.why


@pytest.mark.parametrize(
    ("status", "words"),
    [
        # NVM Express Base Specification 2.0, 4.2.3 "Status Field": code type in bits 10:8, code in 7:0
        (0x0002, "status code type 0h, status code 02h"),  # Invalid Field in Command
        (0x0109, "status code type 1h, status code 09h"),  # Invalid Log Page
        (0x0281, "status code type 2h, status code 81h"),  # Unrecovered Read Error
    ],
)
def test_a_drives_refusal_is_reported_by_type_and_code(status: int, words: str) -> None:
    unread = unread_from_nvme_status("log 02h of nvme0", status)
    assert (unread.reason, unread.detail) == (Reason.REFUSED, str(status))
    assert words in unread.why
