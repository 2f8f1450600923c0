"""What is kept for one user beside every trial: a secret with its passes, and what is open."""

import contextlib
import errno
import hashlib
import hmac
import json
import os
import re
import secrets
import shlex
import sys
from collections.abc import Mapping
from pathlib import Path

from blindspoon.files.disk import complaining, replace_files

_FOLDERS = r"Software\Microsoft\Windows\CurrentVersion\Explorer\User Shell Folders"


def state_folder() -> Path:
    """Find the folder for a program's own state, as the system has it. Raises OSError."""
    given = os.environ.get("XDG_STATE_HOME", "")
    if sys.platform == "win32" and not given:
        given = os.environ.get("LOCALAPPDATA", "")
    inside = ("Library", "Application Support") if sys.platform == "darwin" else (".local", "state")
    try:
        return (Path(given) if given else Path.home().joinpath(*inside)) / "blindspoon"
    except RuntimeError as error:  # neither HOME nor an entry for this user
        raise FileNotFoundError(errno.ENOENT, "there is no home folder", "~") from error


def own_secret() -> bytes:
    """Give 256 bits that only this user can read, made at the first time; raises TrialFileError."""
    remedy = "Let XDG_STATE_HOME name a folder where it can"
    with complaining(remedy=remedy):
        file = state_folder() / "door"
    with complaining(file, remedy):
        with contextlib.suppress(FileNotFoundError):
            kept = file.read_bytes()
            if len(kept) == 32:
                return kept
        _keep(file, secrets.token_bytes(32))
        return file.read_bytes()


class Door:
    """Passes, cookie and ticket, all made from one secret.

    A pass stands in an address once: on the way to the browser it is seen by other programs. One
    that is printed in the host's own terminal opens as often as it is asked.

    >>> door = Door(b"secret")
    >>> once, printed = door.new_pass(), door.new_pass(again=True)
    >>> [door.admits(text) for text in (once, once, printed, printed, "other")]
    [True, False, True, True, False]
    """

    def __init__(self, secret: bytes) -> None:
        self._secret = secret
        self._used: set[str] = set()

    def new_pass(self, *, again: bool = False) -> str:
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


def open_shelves() -> dict[str, int]:
    """Give the port of every shelf that was open when it was last heard of."""
    try:
        found = json.loads((state_folder() / "open.json").read_bytes())
        return {str(shelf): int(port) for shelf, port in found.items()}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}


def note_open(shelves: Mapping[str, int]) -> None:
    _keep(state_folder() / "open.json", json.dumps(dict(shelves)).encode())


def note_trouble(text: str) -> Path:
    """Keep the traceback of a bug, and say where."""
    file = state_folder() / "trouble.txt"
    with contextlib.suppress(OSError):
        _keep(file, text.encode(errors="replace"))
    return file


def _keep(file: Path, content: bytes) -> None:
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    replace_files({file: content}, 0o600)


def put_starter(shelf: Path) -> Path:
    """Put a file on the desktop that opens a shelf at a double click. Raises OSError."""
    command = f'"{sys.executable}" -m blindspoon open "{shelf}"'.replace("%", "%%")
    if sys.platform == "win32":
        command = command.replace('\\"', '\\\\"')  # of a drive
        lines = "@echo off", "chcp 65001 >nul", command, "if errorlevel 1 pause"  # 65001: UTF-8
        name, text = "Blindspoon.cmd", "".join(f"{line}\r\n" for line in lines)
    elif sys.platform == "darwin":
        words = shlex.join([sys.executable, "-m", "blindspoon", "open", str(shelf)])
        name, text = "Blindspoon.command", f"#!/bin/sh\nexec {words}\n"
    else:
        head = "[Desktop Entry]\nType=Application\nName=Blindspoon\nTerminal=true\n"
        exec_ = re.sub(r"[$`]", r"\\\\\g<0>", command)
        name, text = "blindspoon.desktop", f"{head}Exec={exec_}\n"
    desktop = Path.home() / "Desktop"
    with contextlib.suppress(OSError):  # where the system names it otherwise
        folders = (Path.home() / ".config" / "user-dirs.dirs").read_text(encoding="utf-8")
        if named := re.search(r'^XDG_DESKTOP_DIR="\$HOME/([^"]+)"', folders, re.MULTILINE):
            desktop = Path.home() / named[1]
    if sys.platform == "win32":  # OneDrive moves it
        import winreg  # noqa: PLC0415 - only there

        user = winreg.HKEY_CURRENT_USER
        with contextlib.suppress(OSError), winreg.OpenKey(user, _FOLDERS) as key:
            found, _ = winreg.QueryValueEx(key, "Desktop")
            desktop = Path(winreg.ExpandEnvironmentStrings(found))
    file = desktop / name
    file.parent.mkdir(parents=True, exist_ok=True)
    replace_files({file: text.encode(errors="surrogateescape")}, 0o755)
    return file
