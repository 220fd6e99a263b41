"""Errors that say what is wrong, where, and what would be right."""


class PatternError(ValueError):
    """Base of every error that `patterns` raises on purpose."""


class TraceFileError(PatternError):
    """A trace file that cannot be used.

    Parameters
    ----------
    source : str
        Name of the file as the user knows it.
    problem : str
        What is wrong, without a full stop.
    remedy : str
        What would be right, without a full stop.
    line : int, optional
        Line of the file, counted from 1, where the problem stands.
    """

    def __init__(self, source: str, problem: str, remedy: str, line: int | None = None) -> None:
        # All four are handed to Exception, so that the error survives pickling between processes.
        super().__init__(source, problem, remedy, line)
        self.source = source
        self.problem = problem
        self.remedy = remedy
        self.line = line

    def __str__(self) -> str:
        where = self.source if self.line is None else f"{self.source}, line {self.line}"
        return f"{where}: {self.problem}; {self.remedy}"


class InputError(PatternError):
    """A value handed in that cannot be used.

    Parameters
    ----------
    what : str
        Name of the value.
    problem : str
        What is wrong with it, without a full stop.
    remedy : str
        What would be right, without a full stop.
    """

    def __init__(self, what: str, problem: str, remedy: str) -> None:
        super().__init__(what, problem, remedy)
        self.what = what
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.what}: {self.problem}; {self.remedy}"
