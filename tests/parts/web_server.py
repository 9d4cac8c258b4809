"""An HTTPS server that follows a script, for a webhook: Python's own http.server and ssl.

usage: web_server.py PORT FOLDER CERTIFICATE KEY SECRET SCRIPT

SCRIPT: JSON list, one entry for each request, the last one for all that follow: {"status": 200, "heads": {}, "body": "",
"wait": seconds before the answer, "reset": true to hang up instead, "flood": true for a body without end}.
FOLDER/asked gets a line of JSON for each request, with whether hmac and hashlib find its signature right.
"""

import hashlib
import hmac
import json
import pathlib
import socket
import ssl
import struct
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

port, folder, certificate, key, secret, script = sys.argv[1:7]
folder = pathlib.Path(folder)
script = json.loads(script)
lock = threading.Lock()
count = 0


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self):
        global count
        with lock:
            step = script[min(count, len(script) - 1)]
            count += 1
        body = self.rfile.read(int(self.headers["content-length"]))
        signed = self.headers["kvarden-time"].encode() + b"\n" + body
        wanted = "hmac-sha256=" + hmac.new(secret.encode(), signed, hashlib.sha256).hexdigest()
        line = {
            "path": self.path,
            "heads": {name.lower(): value for name, value in self.headers.items()},
            "body": json.loads(body),
            "signed": hmac.compare_digest(wanted, self.headers["kvarden-signature"]),
            "at": time.time(),
        }
        with lock, open(folder / "asked", "a") as file:
            file.write(json.dumps(line) + "\n")
        time.sleep(step.get("wait", 0))
        if step.get("reset"):
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.connection.close()
            return
        answer = step.get("body", "").encode()
        self.send_response(step.get("status", 200))
        for name, value in step.get("heads", {}).items():
            self.send_header(name, value)
        if step.get("flood"):
            self.send_header("content-length", str(10**12))
            self.end_headers()
            while True:
                self.wfile.write(b"x" * 65536)
        self.send_header("content-length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def do_GET(self):
        with lock, open(folder / "asked", "a") as file:
            file.write(json.dumps({"path": self.path, "method": "GET"}) + "\n")
        self.send_error(405)

    def log_message(self, *_):
        pass


context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(certificate, key)
server = ThreadingHTTPServer(("127.0.0.1", int(port)), Handler)
server.socket = context.wrap_socket(server.socket, server_side=True)
server.daemon_threads = True
server.handle_error = lambda *_: None
server.serve_forever()
