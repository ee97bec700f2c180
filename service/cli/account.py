"""The name of whoever gives an order, for the record."""

from __future__ import annotations

import getpass

from service.cli.failure import Exit, Failure


def account() -> str:
    """The account's name; Failure when it has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # an account without a name, as in a container
        raise Failure(Exit.USAGE, "the account has no name; say with --who who orders this") from None
