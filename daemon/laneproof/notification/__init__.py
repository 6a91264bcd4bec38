"""Sends people messages of the standing cases, each once. Decisions are pure; files and network are apart."""
