"""Reads what a Linux storage box really is; knows nothing of builds, rules or history.

In all modules `host` is the machine that is asked, `raw` is what was read, and `what` says where it was read, for the
sentence that a person will see.
"""
