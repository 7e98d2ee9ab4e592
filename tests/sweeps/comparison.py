"""What is compared: a function's points and what a reference makes of them."""

from dataclasses import dataclass


@dataclass
class Comparison:
    function: str
    inputs: list
    reference: object
    against: str
    bound: float
    # The error as a part of the reference, else in the unit.
    relative: bool = False
    unit: str = ""
    # Of an answer of several numbers, the one that is compared.
    part: str = ""


def rows(**columns):
    """Inputs by name, one object a point; a plain value stands for all points."""
    length = next(len(column) for column in columns.values() if hasattr(column, "tolist"))
    lists = {
        name: column.tolist() if hasattr(column, "tolist") else [column] * length for name, column in columns.items()
    }
    return [dict(zip(lists, values, strict=True)) for values in zip(*lists.values(), strict=True)]


def draw(random, count, low, high):
    """Evenly drawn numbers, with both ends among them."""
    numbers = random.uniform(low, high, count)
    numbers[:2] = low, high
    return numbers
