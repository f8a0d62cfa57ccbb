"""JMESPath expressions of a stored profile: compiled once, kept from growing what they are given."""

from dataclasses import dataclass, field
from typing import Any, Final

import jmespath  # type: ignore[import-untyped]  # ships no types
from jmespath.exceptions import JMESPathError, ParseError  # type: ignore[import-untyped]
from jmespath.functions import Functions  # type: ignore[import-untyped]

from service.http.formats.read import show

LONGEST: Final = 1000
"""Characters of an expression."""

MOST_GROWTH: Final = 500
"""Times an expression may multiply what it is given. JMESPath has no loops, but ``[@,@][]`` said forty times over
makes two to the fortieth of one element."""

DEEPEST: Final = 40
_TOO_DEEP: Final = f"is nested more than {DEEPEST} deep; write it flatter"
_LITERAL_SHARE: Final = 10
_KNOWN: Final = frozenset(Functions.FUNCTION_TABLE)
_FAULTS: Final = (ValueError, TypeError, AttributeError, ArithmeticError, LookupError, RecursionError)
"""What evaluating may raise besides ``JMESPathError``, which is a ``ValueError``; read from the library."""


class BadExpression(Exception):
    """An expression that is not taken; the text says why and where."""


class NoResult(Exception):
    """An expression cannot be evaluated over what came."""


@dataclass(frozen=True)
class Expression:
    """A compiled expression."""

    text: str
    _parsed: Any = field(repr=False, compare=False)

    def of(self, document: object) -> Any:  # noqa: ANN401 - JSON
        """Return what the expression finds in a document; None if nothing.

        Raises
        ------
        NoResult
            A function in it does not go with what it finds.
        """
        try:
            return self._parsed.search(document)
        except _FAULTS as error:
            reason = str(error).replace("\n", " ")[:200] or type(error).__name__
            raise NoResult(f"{show(self.text)} cannot be evaluated: {reason}") from error


def compile_expression(text: str) -> Expression:
    """Return an expression ready for use.

    Raises
    ------
    BadExpression
        Not JMESPath, with the position at which the parser stopped; an unknown function; too deep; or able to
        multiply what it is given.
    """
    if len(text) > LONGEST:
        raise BadExpression(f"is longer than {LONGEST:,} characters; write it shorter")
    if text.count("(") > DEEPEST:  # the parser goes into each, and no trace of them is left in what it makes
        raise BadExpression(_TOO_DEEP)
    try:
        parsed = jmespath.compile(text)
        growth = _growth(parsed.parsed, 0)
    except ParseError as error:
        at = getattr(error, "lex_position", None)
        token = getattr(error, "token_value", None)
        near = "at its end" if token is None else f"at {show(token)}"
        raise BadExpression(
            f"is not JMESPath: stops at character {at} (from 0), {near}: {show(text)}"
        ) from error
    except RecursionError as error:
        raise BadExpression(_TOO_DEEP) from error
    except JMESPathError as error:
        raise BadExpression(f"is not taken: {error}") from error
    if growth > MOST_GROWTH:
        raise BadExpression(
            f"could make {MOST_GROWTH} times and more of what it is given; name fewer parts, or none again and again"
        )
    return Expression(text, parsed)


def _growth(node: dict[str, Any], depth: int) -> int:
    """Return how many times larger than its input a result can be, at most.

    What follows one another multiplies, what stands side by side adds up; a literal counts by its length, as it may
    be repeated for each element.
    """
    if depth > DEEPEST:
        raise BadExpression(_TOO_DEEP)
    kind = node["type"]
    parts = [_growth(child, depth + 1) for child in node["children"] if isinstance(child, dict)]
    if kind == "literal":
        return 1 + len(str(node["value"])) // _LITERAL_SHARE
    if kind in {"subexpression", "index_expression", "pipe", "projection", "value_projection"}:
        return _product(parts)
    if kind == "filter_projection":
        return max(parts[0] * parts[1], parts[0] * parts[2])
    if kind in {"multi_select_list", "multi_select_dict"}:
        return sum(parts)
    if kind == "function_expression":
        return _function_growth(node, parts)
    return max(parts, default=1)


def _product(parts: list[int]) -> int:
    total = 1
    for part in parts:
        total = min(total * part, MOST_GROWTH + 1)
    return total


def _function_growth(node: dict[str, Any], parts: list[int]) -> int:
    name = node["value"]
    if name not in _KNOWN:
        raise BadExpression(
            f"calls {show(name)}, which is no function; there are {', '.join(sorted(_KNOWN))}"
        )
    if name == "map":
        return _product(parts)
    if name == "join" and node["children"] and node["children"][0]["type"] != "literal":
        raise BadExpression("joins with a separator out of the data; write it out, as in join('-', ...)")
    if name == "join":
        return _product(parts)
    # Text made of text doubles its backslashes.
    return sum(parts) * (2 if name == "to_string" else 1)
