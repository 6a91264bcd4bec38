"""One module a command: each joins a host, a declaration, the engine and an output. Nothing here judges."""
