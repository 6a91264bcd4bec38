"""The acceptance run: what it is to show, what was seen second by second, and what that proves. Pure."""
