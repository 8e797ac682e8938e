"""A fleet's certificates for tests, made by the shipped script with the `openssl` command."""

from __future__ import annotations

import os
import subprocess
from dataclasses import dataclass
from pathlib import Path

from gateway.publisher import Credentials
from tests.support.services import HOST, program

SCRIPT = Path(__file__).parents[2] / "ingest" / "deploy" / "fleet-certificates.sh"
PAST = "-startdate 20200101000000Z -enddate 20200201000000Z"
"""A life that is over, as the script's PERIOD."""
FUTURE = "-startdate 20700101000000Z -enddate 20710101000000Z"


@dataclass(frozen=True)
class Authority:
    """One authority in a folder of its own."""

    folder: Path

    @classmethod
    def made(cls, folder: Path) -> Authority:
        """A new authority with a server certificate for this machine."""
        program(["openssl"], "openssl", "openssl")
        one = cls(folder)
        one.run("authority")
        one.run("server", "localhost", HOST)
        return one

    def run(self, *words: str, period: str = "") -> str:
        """Run the script; return what it printed, or raise with what it complained of."""
        done = subprocess.run(
            ["sh", str(SCRIPT), str(self.folder), *words],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "PERIOD": period},
        )
        if done.returncode:
            raise subprocess.CalledProcessError(done.returncode, words, stderr=done.stderr)
        return done.stdout.strip()

    def gateway(self, gateway_id: str, period: str = "") -> Credentials:
        """The credentials of a gateway, issued at first use."""
        if not (self.folder / f"{gateway_id}.pem").exists():
            self.run("gateway", gateway_id, period=period)
        return self.credentials(gateway_id)

    def ingest(self) -> Credentials:
        """The credentials of ingest."""
        if not (self.folder / "fleet.ingest.pem").exists():
            self.run("ingest")
        return self.credentials("fleet.ingest")

    def credentials(self, name: str, ca: Path | None = None) -> Credentials:
        """What was issued as `name`, trusting this authority (or `ca`)."""
        return Credentials(
            ca_file=str(ca or self.folder / "authority.pem"),
            cert_file=str(self.folder / f"{name}.pem"),
            key_file=str(self.folder / f"{name}.key"),
        )

    def by_hand(self, name: str, common_name: str) -> Credentials:
        """A client certificate that the script would refuse: signed with the authority's key."""
        base = self.folder / name
        _openssl("ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", f"{base}.key")
        # In a file and quoted: on the command line + and / have meanings of their own.
        settings = Path(f"{base}.conf")
        settings.write_text(
            f'[req]\nprompt = no\ndistinguished_name = name\n[name]\nCN = "{common_name}"\n'
        )
        made = ["-config", str(settings), "-key", f"{base}.key", "-out", f"{base}.request"]
        _openssl("req", "-new", *made)
        signing = ["-CA", f"{self.folder}/authority.pem", "-CAkey", f"{self.folder}/authority.key"]
        request = ["-in", f"{base}.request", "-out", f"{base}.pem"]
        _openssl("x509", "-req", *request, *signing, "-set_serial", "77", "-days", "10")
        said = _openssl(
            "x509", "-in", f"{base}.pem", "-noout", "-subject", "-nameopt", "sep_multiline"
        )
        if said.splitlines()[-1].strip() != f"CN={common_name}":
            raise ValueError(f"common name: {said!r}, expected {common_name!r}")
        return self.credentials(name)

    def self_signed(self, name: str, common_name: str) -> Credentials:
        """A certificate that nobody but its owner vouches for."""
        base = self.folder / name
        key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
        files = ["-keyout", f"{base}.key", "-out", f"{base}.pem"]
        _openssl("req", "-x509", *key, "-subj", f"/CN={common_name}", "-days", "10", *files)
        return self.credentials(name)


def _openssl(*words: str) -> str:
    executable = program(["openssl"], "openssl", "openssl")
    done = subprocess.run([executable, *words], check=True, capture_output=True, text=True)
    return done.stdout
