"""Each word that is advised for the kernel's command line does on a real kernel what is said, and breaks nothing.

Sources: Linux drivers/pci/pcie/aspm.c (policies and switches), drivers/acpi/pci_root.c (who controls errors and hot
plug), Documentation/admin-guide/kernel-parameters.txt, Documentation/ABI/testing/sysfs-bus-pci (link/l0s_aspm).
"""

import re
from collections.abc import Callable
from typing import Any

import pytest

from laneproof import advice
from laneproof.rules import RULES
from vm.boot import GUEST, Boot
from vm.kernel import CHECKOUT
from vm.machine import Drive, Machine, RootPort

pytestmark = pytest.mark.vm()

PORT = "0000:00:04.0"
ADVISED = ("pcie_aspm.policy=performance", "nvme_core.default_ps_max_latency_us=0", "pcie_port_pm=off")
WARNED_OF = "pcie_aspm=off"
SETTINGS = re.compile(r"\b(?:pcie?|nvme)[a-z_]*(?:\.[a-z_]+)?=[a-z0-9]+")


@pytest.fixture(scope="module")
def booted(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Boot]:
    """Boot a box with one drive and these words."""
    done: dict[tuple[str, ...], Boot] = {}

    def run(*words: str) -> Boot:
        if words not in done:
            machine = Machine(
                ports=(RootPort(name="riser-1", address="4.0", slot=1),),
                drives=(Drive(name="hydro-1", serial="TIDE-0001", port="riser-1"),),
                command_line=words,
            )
            program = (GUEST / "kernel_words.py", PORT)
            with Boot(machine, program, tmp_path_factory.mktemp("words"), seconds=400) as boot:
                boot.finish()
            done[words] = boot
        return done[words]

    return run


def osc(facts: dict[str, Any]) -> str:
    return " ".join(line for line in facts["log"] if "_OSC" in line)


def test_every_word_that_is_advised_is_tried_here() -> None:
    texts = [step.says for step in vars(advice).values() if isinstance(step, advice.Step)]
    texts += [step for rule in RULES for step in rule.next_steps]
    texts.append((CHECKOUT / "docs" / "signs.md").read_text())
    advised = {word for text in texts for word in SETTINGS.findall(text)}
    taken_off = {"pci=noaer", "pcie_ports=compat", WARNED_OF}  # words that are to be taken off the line
    assert advised - taken_off <= set(ADVISED)


def test_the_kernel_keeps_errors_and_hot_plug_with_the_words_that_are_advised(booted: Callable[..., Boot]) -> None:
    boot = booted(*ADVISED)
    facts = boot.facts("words")
    assert set(ADVISED) <= set(facts["command_line"].split())
    assert re.search(r"OS now controls \[.*PCIeHotplug.*AER", osc(facts))
    assert {"aer", "pciehp"} <= set(facts["services"].values())
    assert boot.facts("error")["counted"]


def test_the_words_that_are_advised_do_what_is_said(booted: Callable[..., Boot]) -> None:
    facts = booted(*ADVISED).facts("words")
    assert "[performance]" in facts["policy"]
    assert facts["latency"] == "0\n"


def test_the_policy_and_a_links_own_switch_each_end_its_rest(booted: Callable[..., Boot]) -> None:
    boot = booted(*ADVISED)
    policy, switch = boot.facts("policy"), boot.facts("switch")
    assert policy["rests"] == ["", "", "1"]
    assert policy["performs"] == ["", "0"]
    assert switch["rests"] == ["", "1"]
    assert switch["switched_off"] == ["", "0"]


def test_the_word_that_is_warned_of_takes_errors_hot_plug_and_the_policy_away(booted: Callable[..., Boot]) -> None:
    boot = booted(WARNED_OF)
    facts = boot.facts("words")
    assert "not requesting OS control" in osc(facts)
    assert not {"aer", "pciehp"} & set(facts["services"].values())
    assert facts["switches"] == []
    assert not boot.facts("error")["counted"]
    assert boot.facts("policy")["performs"][0] == "EPERM"
