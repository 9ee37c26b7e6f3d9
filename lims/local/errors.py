"""What can stand in the way of starting, said in one plain line."""


class CannotStart(Exception):
    """A part cannot be started; the message says why and what to do."""
