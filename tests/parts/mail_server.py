"""A mail server of an independent library (aiosmtpd), with encryption and a login.

usage: mail_server.py PORT FOLDER starttls|tls CERTIFICATE KEY USER PASSWORD

Takes mail only after both. Writes each mail as FOLDER/N.eml as it came, and FOLDER/N.json with from and to of its envelope;
FOLDER/talk says what else was tried.
"""

import json
import pathlib
import ssl
import sys
import threading

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

port, folder, mode, certificate, key, user, password = sys.argv[1:8]
folder = pathlib.Path(folder)


def note(line):
    with open(folder / "talk", "a") as file:
        file.write(line + "\n")


def login(server, session, envelope, mechanism, data):
    good = isinstance(data, LoginPassword) and (data.login, data.password) == (user.encode(), password.encode())
    note(f"login {mechanism} {'good' if good else 'bad'} {'encrypted' if session.ssl or mode == 'tls' else 'IN THE CLEAR'}")
    return AuthResult(success=good, handled=False)


class Keeper:
    def __init__(self):
        self.count = 0

    async def handle_DATA(self, server, session, envelope):
        self.count += 1
        facts = {"from": envelope.mail_from, "to": envelope.rcpt_tos, "authenticated": session.authenticated}
        (folder / f"{self.count}.eml").write_bytes(envelope.original_content)
        (folder / f"{self.count}.json").write_text(json.dumps(facts))
        return f"250 kept as number {self.count}"


context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(certificate, key)
common = {"authenticator": login, "auth_required": True, "data_size_limit": 4_000_000}
if mode == "starttls":
    server = Controller(Keeper(), hostname="127.0.0.1", port=int(port), tls_context=context, require_starttls=True, **common)
else:
    server = Controller(
        Keeper(), hostname="127.0.0.1", port=int(port), ssl_context=context, auth_require_tls=False, **common
    )
try:
    server.start()
except Exception as error:  # it proves that it listens by a plain talk, which an encrypted one refuses
    note(f"start: {error}")
print("listening", flush=True)
threading.Event().wait()
