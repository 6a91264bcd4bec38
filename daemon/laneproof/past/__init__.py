"""The box over time: what earlier passes add up to. Pure; nothing here opens a database."""
