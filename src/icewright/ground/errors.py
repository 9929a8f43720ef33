"""One family of exceptions: what was got, what was wanted, and the line to type next."""

from __future__ import annotations


class IcewrightError(Exception):
    """Anything Icewright refuses to do, said in up to three parts.

    ``message`` is a plain sentence for the first line; ``got``, ``wanted`` and ``do`` say what came in,
    what would have been right, and what to type. Any part may be empty; ``str()`` joins those that are not,
    in one to three lines.
    """

    def __init__(self, message: str | None = None, *, got: str = "", wanted: str = "", do: str = "") -> None:
        self.message = message or ""
        self.got = got
        self.wanted = wanted
        self.do = do
        super().__init__(str(self))

    def __str__(self) -> str:
        pairs = [("got", self.got), ("wanted", self.wanted)]
        middle = "; ".join(f"{label}: {text}" for label, text in pairs if text)
        lines = [self.message, middle, f"try: {self.do}" if self.do else ""]
        return "\n".join(line for line in lines if line)

    def __reduce__(self) -> tuple[object, ...]:
        # Worker processes send errors home by pickling; keyword-only arguments need help to survive that.
        return (_rebuild, (type(self), self.message, self.got, self.wanted, self.do))


def _rebuild(cls: type[IcewrightError], message: str, got: str, wanted: str, do: str) -> IcewrightError:
    return cls(message, got=got, wanted=wanted, do=do)


class ConditionsError(IcewrightError):
    """Temperature, pressure or humidity that cannot be, or that no formula here covers."""


class RecordError(IcewrightError):
    """A file or dictionary of the wrong kind, of a newer schema, or with a missing or unknown key."""


class KineticsError(IcewrightError):
    """An attachment table that cannot be read, or a function that answers outside 0 < alpha <= 1."""


class SourceError(IcewrightError):
    """A source key that nobody registered, or one registered twice with different content."""
