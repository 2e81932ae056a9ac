"""What a user can put right. Everything else is a bug of ours and keeps its traceback."""


class InputError(Exception):
    """Wrong input or settings: says where, what is wrong, and what to do.

    Parameters
    ----------
    where
        The file, or the settings key, that is at fault.
    problem
        What is wrong with it, in one clause.
    remedy
        What the reader can do about it, naming the setting where there is one.
    """

    def __init__(self, where: object, problem: str, remedy: str) -> None:
        super().__init__(f"{where}: {problem}. {remedy}")
        self.where = str(where)
        self.problem = problem
        self.remedy = remedy

    def __reduce__(self) -> tuple[type["InputError"], tuple[str, str, str]]:
        # Readers run in worker processes; the error must survive the way back.
        return (type(self), (self.where, self.problem, self.remedy))
