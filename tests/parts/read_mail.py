"""A mail as Python's email package reads it, as JSON.

usage: read_mail.py FILE [FOLDER]

With FOLDER the page is written there as page.html with its picture as picture.png, for a browser.
"""

import email
import email.policy
import hashlib
import json
import pathlib
import struct
import sys

raw = pathlib.Path(sys.argv[1]).read_bytes()
mail = email.message_from_bytes(raw, policy=email.policy.default)
parts = list(mail.walk())
text = next(part for part in parts if part.get_content_type() == "text/plain")
page = next(part for part in parts if part.get_content_type() == "text/html")
image = next((part for part in parts if part.get_content_type() == "image/png"), None)
facts = {
    "defects": [str(defect) for part in parts for defect in part.defects],
    "heads": {name.lower(): str(value) for name, value in mail.items()},
    "ascii": all(byte < 128 for byte in raw),
    "longest_line": max(len(line) for line in raw.split(b"\r\n")),
    "kinds": [part.get_content_type() for part in parts],
    "text": text.get_content(),
    "html": page.get_content(),
    "picture": None,
}
if image is not None:
    png = image.get_content()
    facts["picture"] = {
        "cid": image["content-id"],
        "disposition": image.get_content_disposition(),
        "size": list(struct.unpack(">II", png[16:24])),
        "bytes": len(png),
        "sha256": hashlib.sha256(png).hexdigest(),
    }
if len(sys.argv) > 2:
    folder = pathlib.Path(sys.argv[2])
    shown = facts["html"]
    if image is not None:
        (folder / "picture.png").write_bytes(png)
        shown = shown.replace("cid:" + image["content-id"].strip("<>"), "picture.png")
    (folder / "page.html").write_text(shown)
    (folder / "text.txt").write_text(facts["text"])
print(json.dumps(facts))
