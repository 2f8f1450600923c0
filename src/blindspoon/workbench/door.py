"""The host's door: who has the secret of this computer's user gets a cookie, nobody else a page."""

from __future__ import annotations

import hashlib
import hmac
import secrets


class Door:
    """Passes, cookie and ticket, all made from one secret.

    A pass stands in an address once: on the way to the browser it is seen by other programs. One
    that is printed in the host's own terminal opens as often as it is asked.

    Examples
    --------
    >>> door = Door(b"secret")
    >>> once, printed = door.new_pass(), door.new_pass(again=True)
    >>> [door.admits(text) for text in (once, once, printed, printed, "other")]
    [True, False, True, True, False]
    """

    def __init__(self, secret: bytes) -> None:
        self._secret = secret
        self._used: set[str] = set()

    def new_pass(self, *, again: bool = False) -> str:
        """Make what stands in an address."""
        nonce = ("again" if again else "once") + secrets.token_hex(16)
        return f"{nonce}.{self.proof('pass', nonce)}"

    def admits(self, text: str) -> bool:
        """Tell whether a pass is right, and was not used before."""
        nonce, _, proof = text.partition(".")
        right = hmac.compare_digest(proof.encode(), self.proof("pass", nonce).encode())
        if not right or nonce in self._used:
            return False
        if nonce.startswith("once"):
            self._used.add(nonce)
        return True

    def proof(self, kind: str, of: str = "") -> str:
        """Show that the secret is known, without telling it."""
        return hmac.digest(self._secret, f"{kind}:{of}".encode(), hashlib.sha256).hex()
