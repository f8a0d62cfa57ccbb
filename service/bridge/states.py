"""What a gateway tells of itself at its ``state`` topic."""

from datetime import datetime
from typing import Annotated, Final

import msgspec
from msgspec import Meta, Struct

from service.domain.errors import Invalid
from service.http.formats.read import Unreadable
from service.operations.bridging import Told

_FORM: Final = (
    '{"online": true, "since": "2026-05-04T14:00:00Z", "buffered": 0}; since and buffered may be left out'
)
_YEARS: Final = range(1970, 3000)


class _State(Struct):
    """Members we do not know are the gateway's own affair."""

    online: bool
    since: Annotated[datetime, Meta(tz=True)] | None = None
    buffered: Annotated[int, Meta(ge=0, lt=2**31)] | None = None


def read_state(body: bytes) -> Told:
    """Read a state.

    Raises
    ------
    Invalid
        A member does not fit.
    Unreadable
        The body is not JSON, or nested too deeply.
    """
    try:
        state = msgspec.json.decode(body, type=_State)
    except msgspec.ValidationError as error:
        what, _, path = str(error).partition(" - at `$.")
        raise Invalid.field(f"/{path.rstrip('`')}".rstrip("/"), f"{what}; send {_FORM}") from error
    except (msgspec.DecodeError, RecursionError) as error:
        raise Unreadable(f"not JSON: {error}; send {_FORM}") from error
    if state.since is not None and state.since.year not in _YEARS:
        raise Invalid.field("/since", f"is {state.since.isoformat()}; set the gateway's clock")
    return Told(state.online, state.since, state.buffered)
