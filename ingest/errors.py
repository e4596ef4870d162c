"""The errors a user can cause, as a tree; the front door prints each as one line.

JoulebookError
├── FleetError     a fleet folder or a budget file is wrong
├── StoreError     the store cannot be opened, read or written
│   └── StoreHeldError   another process has it open
├── BrokerError    the broker cannot be reached or refuses
├── ImportFileError  a history file cannot be read
└── UsageError     a command was given something it cannot use
"""

from collections.abc import Sequence


class JoulebookError(Exception):
    """Says in one line what was wrong, the value with its unit, and what to do."""


class FleetError(JoulebookError):
    """A fleet folder or a budget file is wrong."""


class StoreError(JoulebookError):
    """The store cannot be opened, read or written."""


class StoreHeldError(StoreError):
    """Another process has the store open."""


class BrokerError(JoulebookError):
    """The broker cannot be reached, refuses the connection, or its port is in use."""


class ImportFileError(JoulebookError):
    """A history file cannot be read."""


class UsageError(JoulebookError):
    """A command was given something it cannot use."""


def few(names: Sequence[str], most: int = 8) -> str:
    """The first few names, with an ellipsis where there are more."""
    return ", ".join([*names[:most], *["…"] * (len(names) > most)])
