"""The shop's signature and time stamps, held against the openssl command (Debian: ``apt-get install openssl``).

A throw-away authority and time stamp service are made with openssl; requests, answers and signatures of either side
must be right by the other.
"""

import json
import shutil
import stat
import subprocess

import pytest

from gapvision.cli import main
from gapvision.errors import GapvisionError
from gapvision.formats import signing

CONFIG = """
[req]
distinguished_name = dn
[dn]
[ca]
basicConstraints = critical, CA:TRUE
keyUsage = critical, keyCertSign
[tsa]
basicConstraints = CA:FALSE
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
[service]
serial = FOLDER/serial
signer_cert = FOLDER/tsa.pem
certs = FOLDER/ca.pem
signer_key = FOLDER/tsa.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
ess_cert_id_alg = sha256
"""


def openssl(*words):
    assert shutil.which("openssl"), "openssl is missing: apt-get install openssl"
    done = subprocess.run(["openssl", *map(str, words)], capture_output=True, text=True, timeout=60)
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    """A folder with an authority, a service of its own, and another authority."""
    folder = tmp_path_factory.mktemp("service")
    (folder / "config").write_text(CONFIG.replace("FOLDER", str(folder)))
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-config", folder / "config")
    for name in ("ca", "other"):
        code, said = openssl("req", "-x509", *key, "-subj", f"/CN={name} example", "-days", "9", "-extensions", "ca",
                             "-keyout", folder / f"{name}.key", "-out", folder / f"{name}.pem")  # fmt: skip
        assert code == 0, said
    code, said = openssl("req", *key, "-subj", "/CN=time example", "-keyout", folder / "tsa.key",
                         "-out", folder / "tsa.csr")  # fmt: skip
    assert code == 0, said
    code, said = openssl("x509", "-req", "-in", folder / "tsa.csr", "-CA", folder / "ca.pem", "-CAkey",
                         folder / "ca.key", "-set_serial", "7", "-days", "9", "-extfile", folder / "config",
                         "-extensions", "tsa", "-out", folder / "tsa.pem")  # fmt: skip
    assert code == 0, said
    (folder / "serial").write_text("01\n")
    return folder


@pytest.fixture
def paper(tmp_path):
    path = tmp_path / "report.pdf"
    path.write_bytes(b"%PDF invented")
    return path


def answered(service, request, answer):
    code, said = openssl("ts", "-reply", "-config", service / "config", "-section", "service", "-queryfile", request,
                         "-out", answer)  # fmt: skip
    assert code == 0, said
    return answer


def test_our_request_is_answered_and_the_answer_is_right_by_both(service, paper):
    request = signing.ask_for_stamp(paper)
    answer = answered(service, request, paper.with_name("report.pdf.tsr"))
    code, said = openssl("ts", "-verify", "-data", paper, "-in", answer, "-CAfile", service / "ca.pem")
    assert code == 0, said
    at = signing.check_stamp(paper, answer, service / "ca.pem")
    _, told = openssl("ts", "-reply", "-in", answer, "-text")
    assert f" {at[11:19]} {at[:4]} GMT" in told  # the time that openssl reads in it
    assert main(["sign", "check", str(paper), "--root", str(service / "ca.pem")]) == 0


def test_openssls_request_serves_as_well(service, paper, tmp_path):
    code, said = openssl("ts", "-query", "-data", paper, "-sha256", "-cert", "-out", tmp_path / "q")
    assert code == 0, said
    assert signing.check_stamp(paper, answered(service, tmp_path / "q", tmp_path / "r"), service / "ca.pem")


@pytest.mark.parametrize("spoilt", ["file", "answer", "root", "nonsense"])
def test_a_stamp_that_is_not_right_is_refused_by_both(service, paper, tmp_path, spoilt):
    answer = answered(service, signing.ask_for_stamp(paper), tmp_path / "r")
    data, root = answer.read_bytes(), "other.pem" if spoilt == "root" else "ca.pem"
    if spoilt == "file":
        paper.write_bytes(b"%PDF altered")
    if spoilt == "answer":
        answer.write_bytes(data[:-9] + bytes([data[-9] ^ 1]) + data[-8:])
    if spoilt == "nonsense":
        answer.write_bytes(b"no answer")
    assert openssl("ts", "-verify", "-data", paper, "-in", answer, "-CAfile", service / root)[0] != 0
    with pytest.raises(GapvisionError) as caught:
        signing.check_stamp(paper, answer, service / root)
    assert caught.value.code == "time-stamp-bad"


def test_signature_by_the_shops_key(paper, tmp_path, capsys):
    key = tmp_path / "shop.key"
    public = signing.make_key(key)
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert signing.public_of(tmp_path / "shop.pub") == public == signing.public_of(key)
    with pytest.raises(GapvisionError, match="already"):
        signing.make_key(key)
    written = signing.sign(paper, key)
    assert signing.check_signature(paper)[0] == public
    told = json.loads(written.read_text())
    (tmp_path / "m").write_text(f"gapvision-signature/1 {told['sha256']} {told['signed_at']}")
    (tmp_path / "s").write_bytes(bytes.fromhex(told["signature"]))
    code, said = openssl("pkeyutl", "-verify", "-pubin", "-inkey", tmp_path / "shop.pub", "-rawin", "-in",
                         tmp_path / "m", "-sigfile", tmp_path / "s")  # fmt: skip
    assert code == 0, said
    assert main(["sign", "check", str(paper), "--by", str(tmp_path / "shop.pub")]) == 0
    signing.make_key(tmp_path / "next.key")
    assert main(["sign", "check", str(paper), "--by", str(tmp_path / "next.pub")]) == 1
    assert "another key" in capsys.readouterr().out
    written.write_text(json.dumps(told | {"signed_at": "2020-01-01T00:00:00Z"}))
    with pytest.raises(GapvisionError, match="is not right"):
        signing.check_signature(paper)
    written.write_text(json.dumps(told))
    paper.write_bytes(b"%PDF altered")
    assert main(["sign", "check", str(paper)]) == 1
    assert "is not the file that was signed" in capsys.readouterr().out


def test_the_command_makes_the_key_in_the_data_folder(paper, tmp_path, capsys):
    data = ["--data", str(tmp_path / "data")]
    assert main(["sign", "file", str(paper), *data]) == 2
    assert main(["sign", "key", *data]) == 0
    assert main(["sign", "key", *data]) == 0  # the second time it only shows
    assert main(["sign", "file", str(paper), *data]) == 0
    assert main(["sign", "ask", str(paper)]) == 0
    assert main(["sign", "check", str(paper), "--by", str(tmp_path / "data" / "shop.pub")]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "right"
