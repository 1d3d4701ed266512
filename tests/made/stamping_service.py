"""A time-stamping service of one's own for tests: openssl as the authority, no network. `openssl ts` is
the reference that the stamps are checked against."""

from __future__ import annotations

import subprocess
from pathlib import Path

CONFIG = """
[req]
distinguished_name = name
prompt = no
[name]
CN = {name}
[ca]
basicConstraints = critical,CA:TRUE
keyUsage = critical,keyCertSign,cRLSign
subjectKeyIdentifier = hash
[leaf]
basicConstraints = critical,CA:FALSE
keyUsage = critical,digitalSignature
extendedKeyUsage = critical,timeStamping
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
[tsa]
default_tsa = service
[service]
serial = {folder}/serial
crypto_device = builtin
signer_cert = {folder}/tsa.pem
signer_key = {folder}/tsa.key
signer_digest = sha256
default_policy = 1.3.6.1.4.1.99999.1
digests = sha256,sha384,sha512
accuracy = secs:1
ordering = yes
tsa_name = yes
ess_cert_id_chain = yes
ess_cert_id_alg = sha256
"""


class StampingService:
    """An authority in a folder: its root certificate is `root`, and it stamps requests."""

    def __init__(self, folder: Path, name: str = "Test authority") -> None:
        self.folder = folder
        folder.mkdir(parents=True)
        (folder / "serial").write_text("01\n")
        self.config = folder / "tsa.cnf"
        self.config.write_text(CONFIG.format(folder=folder, name=name))
        self.root = folder / "ca.pem"
        new = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
        self._openssl(
            "req",
            "-x509",
            *new,
            "-keyout",
            "ca.key",
            "-out",
            "ca.pem",
            "-days",
            "30",
            "-extensions",
            "ca",
            "-config",
            "tsa.cnf",
        )
        self._openssl(
            "req",
            "-new",
            *new,
            "-keyout",
            "tsa.key",
            "-out",
            "tsa.csr",
            "-config",
            "tsa.cnf",
            "-subj",
            f"/CN={name} stamps",
        )
        self._openssl(
            "x509",
            "-req",
            "-in",
            "tsa.csr",
            "-CA",
            "ca.pem",
            "-CAkey",
            "ca.key",
            "-CAcreateserial",
            "-out",
            "tsa.pem",
            "-days",
            "20",
            "-extfile",
            "tsa.cnf",
            "-extensions",
            "leaf",
        )

    def answer(self, request: Path, response: Path, *, chain: bool = False) -> Path:
        """Stamp a request file. chain : send the authority's own certificate along, as services do."""
        self._openssl(
            "ts",
            "-reply",
            "-queryfile",
            str(request.resolve()),
            "-out",
            str(response.resolve()),
            *(["-chain", "ca.pem"] if chain else []),
            "-config",
            "tsa.cnf",
        )
        return response

    def verifies(self, data: Path, response: Path) -> bool:
        """openssl's own word on a response over a file."""
        done = subprocess.run(
            ["openssl", "ts", "-verify", "-data", str(data), "-in", str(response), "-CAfile", str(self.root)],
            capture_output=True,
            check=False,
        )
        return done.returncode == 0

    def _openssl(self, *arguments: str) -> None:
        done = subprocess.run(["openssl", *arguments], cwd=self.folder, capture_output=True, check=False)
        assert done.returncode == 0, done.stderr.decode()
