"""Which tracking server a study's runs are copied to, if any."""

from __future__ import annotations

import os
import re
import socket
from pathlib import Path
from urllib.parse import urlsplit

from leafledger.errors import InputFault, Problem
from leafledger.study.definition_file import read_definition

VARIABLE = "LEAFLEDGER_TRACKING_URI"
_SECONDS = 3.0
_ADDRESS = re.compile(r"https?://[^\s/@]+(/[^\s@]*)?")


def tracking_server(folder: Path) -> str | None:
    """Return the address of the tracking server, ``None`` for the store in the study's folder.

    The user's own environment stands over ``study.yaml``, which names servers on this machine only
    (a study from a stranger cannot send data away).

    Raises
    ------
    InputFault
        If the environment variable holds no such address, or a name or password.
    """
    own = os.environ.get(VARIABLE, "").strip()
    if own:
        return _checked(own)
    try:
        definition, _ = read_definition(folder)
    except InputFault:
        # The book can be copied whatever state the study's own files are in.
        return None
    return definition.tracking.uri


def _checked(address: str) -> str:
    if "@" in address:
        raise _fault(
            "an address with a name or password in it",
            "Leave them out; MLFLOW_TRACKING_USERNAME and MLFLOW_TRACKING_PASSWORD carry them.",
        )
    try:
        whole = _ADDRESS.fullmatch(address) is not None and bool(host_of(address)[0])
    except ValueError:
        whole = False
    if not whole:
        raise _fault("no address of a server", "Write it such as https://mlflow.example.org:5000.")
    return address.rstrip("/")


def _fault(found: str, mend: str) -> InputFault:
    expected = "the http or https address of an MLflow server"
    return InputFault(Problem(file=VARIABLE, found=found, expected=expected, mend=mend))


def host_of(address: str) -> tuple[str, int]:
    """Return host and port of an address."""
    parts = urlsplit(address)
    return parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)


def why_unreachable(address: str) -> str | None:
    """Return why a server cannot be reached, ``None`` if something listens there.

    Asked first, because MLflow itself would go on trying for minutes.
    """
    try:
        with socket.create_connection(host_of(address), timeout=_SECONDS):
            return None
    except OSError as error:
        return f"{address} cannot be reached: {error.strerror or error}"
