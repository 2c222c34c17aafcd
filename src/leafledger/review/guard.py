"""Who may talk to the review: a browser on this machine that was given the address.

A page of another site can make the browser send requests here, and a name of another site can be
pointed at this machine (DNS rebinding). The name asked for, the page asked from, a secret cookie
and the kind of body are all checked before anything is done.

References
----------
Jackson C, Barth A, Bortz A, Shao W, Boneh D (2007) Protecting browsers from DNS rebinding attacks.
RFC 6454 (the Origin header); RFC 6265 (cookies); W3C Content Security Policy Level 3; W3C Fetch
Metadata Request Headers.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field

CONTENT_POLICY = (
    "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": CONTENT_POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Sent with every answer."""


@dataclass(frozen=True)
class Guard:
    """Judges requests.

    Parameters
    ----------
    port
        Port of this server.
    """

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    secret: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    @property
    def address(self) -> str:
        """The address to open; it holds the token."""
        return f"http://127.0.0.1:{self.port}/?token={self.token}"

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies are shared between the ports of a machine."""
        return f"leafledger_review_{self.port}"

    def why_refused(
        self,
        method: str,
        headers: Mapping[str, str],
        *,
        cookie: str = "",
        token: str = "",
        media_type: str = "",
    ) -> str | None:
        """Return why a request is refused, ``None`` if it may pass.

        Parameters
        ----------
        method, headers
            Of the request.
        cookie
            Value of our cookie, if it was sent.
        token
            Token in the address, if there is one.
        media_type
            Of the body.
        """
        names = {f"127.0.0.1:{self.port}", f"localhost:{self.port}"}
        host = headers.get("Host", "")
        if host not in names:
            return "the name asked for is not this machine's"
        origin = headers.get("Origin")
        if origin is not None and origin != f"http://{host}":
            return "a page of another site asked"
        if headers.get("Sec-Fetch-Site", "none") not in {"none", "same-origin"}:
            return "another page led here; type or paste the address that the terminal shows"
        if not (_same(cookie, self.secret) or (method == "GET" and self.opens(token))):
            return "the address lacks its token; use the one that the terminal shows"
        if method not in {"GET", "HEAD"} and media_type != "application/json":
            return "only this page's own requests are taken"
        return None

    def opens(self, token: str) -> bool:
        """Tell whether a token is the right one."""
        return _same(token, self.token)


def _same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode(), right.encode())
