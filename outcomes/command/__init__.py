"""The `outcomes` command. One file a verb; heavy imports stand inside the verb's function."""

from outcomes.command.main import main

__all__ = ["main"]
