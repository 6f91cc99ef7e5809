"""Every failure of the OPC UA library as a LinkError: the one place that knows its exceptions.

Status codes: OPC UA Part 4, 7.39 and Part 6, annex A, by the library's names for them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from asyncua.ua.status_codes import StatusCodes, code_to_name_doc
from asyncua.ua.uaerrors import UaStatusCodeError

from edgeflash.links.errors import LinkError, LinkFault

_Code = StatusCodes

FAULT_OF_STATUS: Mapping[int, LinkFault] = {
    **dict.fromkeys(
        (
            _Code.BadSessionIdInvalid,
            _Code.BadSessionClosed,
            _Code.BadSessionNotActivated,
            _Code.BadSecureChannelIdInvalid,
            _Code.BadSecureChannelClosed,
            _Code.BadSecureChannelTokenUnknown,
            _Code.BadTcpSecureChannelUnknown,
        ),
        LinkFault.SESSION_LOST,
    ),
    **dict.fromkeys(
        (
            _Code.BadConnectionClosed,
            _Code.BadConnectionRejected,
            _Code.BadCommunicationError,
            _Code.BadNotConnected,
            _Code.BadDisconnect,
            _Code.BadServerNotConnected,
        ),
        LinkFault.DISCONNECTED,
    ),
    **dict.fromkeys((_Code.BadTimeout, _Code.BadRequestTimeout), LinkFault.NO_RESPONSE),
    **dict.fromkeys(
        (
            _Code.BadTooManySessions,
            _Code.BadTooManySubscriptions,
            _Code.BadTooManyOperations,
            _Code.BadTooManyPublishRequests,
            _Code.BadTcpServerTooBusy,
            _Code.BadTcpNotEnoughResources,
            _Code.BadOutOfMemory,
            _Code.BadResourceUnavailable,
            _Code.BadServerTooBusy,
        ),
        LinkFault.OVERLOADED,
    ),
    **dict.fromkeys(
        (
            _Code.BadIdentityTokenInvalid,
            _Code.BadIdentityTokenRejected,
            _Code.BadUserAccessDenied,
            _Code.BadUserSignatureInvalid,
            _Code.BadSecurityChecksFailed,
            _Code.BadCertificateInvalid,
            _Code.BadCertificateUntrusted,
            _Code.BadCertificateTimeInvalid,
            _Code.BadCertificateUriInvalid,
            _Code.BadCertificateUseNotAllowed,
            _Code.BadCertificateRevoked,
            _Code.BadApplicationSignatureInvalid,
        ),
        LinkFault.NOT_ADMITTED,
    ),
    **dict.fromkeys(
        (_Code.BadSecurityPolicyRejected, _Code.BadSecurityModeRejected), LinkFault.NOT_OFFERED
    ),
    **dict.fromkeys(
        (
            _Code.BadNodeIdUnknown,
            _Code.BadNodeIdInvalid,
            _Code.BadAttributeIdInvalid,
            _Code.BadNotReadable,
            _Code.BadNoMatch,
            _Code.BadBrowseNameInvalid,
        ),
        LinkFault.UNKNOWN_NODE,
    ),
}
"""Fault of each status of a whole answer; one that is not here counts as SERVER_FAILURE."""

TOO_LARGE = frozenset(
    {
        _Code.BadResponseTooLarge,
        _Code.BadRequestTooLarge,
        _Code.BadTcpMessageTooLarge,
        _Code.BadEncodingLimitsExceeded,
    }
)
"""An answer that a smaller question would get."""

_ADVICE: Mapping[LinkFault, str] = {
    LinkFault.NOT_ADMITTED: "see that it trusts our certificate and knows the user",
    LinkFault.SERVER_FAILURE: "see the server's own log",
}


@contextmanager
def told_as_link_errors(peer: str, doing: str) -> Iterator[None]:
    """Turns whatever the library raises within into a LinkError. A cancel passes.

    peer: the server, for people. doing: what was asked, in words that follow "while".
    """
    try:
        yield
    except LinkError:
        raise
    except Exception as error:
        raise link_error_of(error, peer, doing) from error


def link_error_of(error: Exception, peer: str, doing: str) -> LinkError:
    """What an exception of the library means."""
    match error:
        case UaStatusCodeError():
            code = int(error.code)
            fault = FAULT_OF_STATUS.get(code, LinkFault.SERVER_FAILURE)
            name = status_name(code)
            advice = f"; {_ADVICE[fault]}" if fault in _ADVICE else ""
            return LinkError(fault, f"{peer} answers {name} while {doing}{advice}", code)
        case TimeoutError():
            return LinkError(LinkFault.NO_RESPONSE, f"{peer} gave no answer in time while {doing}")
        case ConnectionRefusedError():
            why = f"no connection to {peer}: refused"
            return LinkError(LinkFault.NOT_CONNECTED, why)
        case ConnectionError():
            return LinkError(LinkFault.DISCONNECTED, f"{peer} closed the connection while {doing}")
        case OSError():
            why = f"no connection to {peer}: {error.strerror or error}"
            return LinkError(LinkFault.NOT_CONNECTED, why)
    # Structures that cannot be decoded, signatures that do not fit: of any class there is.
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return LinkError(
        LinkFault.GARBLED, f"{peer} answered something that is not OPC UA while {doing} ({what})"
    )


def status_name(code: int) -> str:
    """The standard's name of a status code, its severity and number when it has none we know."""
    base = code & 0xFFFF0000
    if base in code_to_name_doc:
        return str(code_to_name_doc[base][0])
    severity = ("Good", "Uncertain", "Bad", "Bad")[code >> 30 & 3]
    return f"{severity}0x{base:08X}" if base & 0x3FFFFFFF else severity
