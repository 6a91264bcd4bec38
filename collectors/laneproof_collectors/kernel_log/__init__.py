"""The kernel's log: its records, and what each message says happened, to whom and when."""

from laneproof_collectors.kernel_log.classification import classify

__all__ = ["classify"]
