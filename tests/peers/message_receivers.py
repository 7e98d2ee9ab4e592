"""A mail server (aiosmtpd) and an HTTPS server that receive the agent's messages, both inside TLS.

    message_receivers.py --certificate FILE --key FILE --secret TEXT [--user NAME --password TEXT] [--starttls]

Prints `{"mail": port, "https": port}` when both listen, then a line a message received:

    {"by": "mail", "from": …, "to": […], "id": …, "references": …, "subject": …, "auto": …, "text": …}
    {"by": "https", "path": …, "signed": true or false, "why": …, "age_s": …, "body": …}

A line on standard input changes how the next messages are answered: `mail refuse`, `mail accept`, `https refuse`,
`https accept`, `https silent`. The signature is judged by a library that others wrote (RFC 9421), the body's digest here.
"""

import argparse
import base64
import email
import email.policy
import hashlib
import http.server
import json
import ssl
import sys
import threading
import time

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword
from http_message_signatures import HTTPMessageVerifier, HTTPSignatureKeyResolver, algorithms

printing = threading.Lock()
answers = {"mail": "accept", "https": "accept"}


def say(**what):
    with printing:
        print(json.dumps(what), flush=True)


class Mailbox:
    async def handle_DATA(self, server, session, envelope):
        if answers["mail"] == "refuse":
            say(by="mail", refused=True)
            return "451 4.3.0 try again later"
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        say(
            by="mail",
            **{"from": envelope.mail_from},
            to=envelope.rcpt_tos,
            id=mail["Message-ID"],
            references=mail["References"],
            subject=mail["Subject"],
            auto=mail["Auto-Submitted"],
            tls=server.transport.get_extra_info("ssl_object") is not None,
            user=session.auth_data.login.decode() if session.auth_data else None,
            text=mail.get_content(),
        )
        return "250 OK"


class Keys(HTTPSignatureKeyResolver):
    def __init__(self, secret):
        self.secret = secret

    def resolve_public_key(self, key_id):
        return self.secret

    resolve_private_key = resolve_public_key


class Request:
    """What the verifying library wants to know of a request."""

    def __init__(self, handler, port):
        self.method = handler.command
        self.url = f"https://127.0.0.1:{port}{handler.path}"
        self.headers = handler.headers


def verify(handler, body, secret, port):
    verifier = HTTPMessageVerifier(signature_algorithm=algorithms.HMAC_SHA256, key_resolver=Keys(secret))
    found = verifier.verify(Request(handler, port))
    covered = {name.strip('"') for name in found[0].covered_components}
    wanted = {"@method", "@target-uri", "content-digest", "content-type"}
    if not wanted <= covered:
        raise ValueError(f"covers only {covered}")
    digest = "sha-256=:" + base64.b64encode(hashlib.sha256(body).digest()).decode() + ":"
    if handler.headers["Content-Digest"] != digest:
        raise ValueError("the digest is not that of the body")
    return time.time() - found[0].parameters["created"]


def https(secret, context):
    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self):
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if answers["https"] == "silent":
                say(by="https", silent=True)
                time.sleep(3600)
            if answers["https"] == "refuse":
                say(by="https", refused=True)
                self.send_response(503)
                self.send_header("Content-Length", "6")
                self.end_headers()
                self.wfile.write(b"busy\r\n")
                return
            try:
                age, signed, why = verify(self, body, secret, self.server.server_address[1]), True, None
            except Exception as error:  # whatever it is, it is no valid signature
                age, signed, why = None, False, repr(error)
            say(by="https", path=self.path, signed=signed, why=why, age_s=age, body=json.loads(body))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    server.socket = context.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server.server_address[1]


class Mail(Controller):
    """Tells the port it was given and takes STARTTLS where wanted."""

    def __init__(self, *args, smtp, **kwargs):
        self.smtp_options = smtp
        super().__init__(*args, **kwargs)

    def factory(self):
        return SMTP(self.handler, **self.smtp_options)

    def _trigger_server(self):
        self.port = self.server.sockets[0].getsockname()[1]
        super()._trigger_server()


def mail(args, context):
    def login(_server, _session, _envelope, mechanism, data):
        right = isinstance(data, LoginPassword) and (data.login, data.password) == (
            args.user.encode(),
            args.password.encode(),
        )
        return AuthResult(success=right, auth_data=data if right else None)

    options = {"decode_data": False}
    if args.user:
        options |= {"authenticator": login, "auth_required": True, "auth_require_tls": args.starttls}
    if args.starttls:
        options |= {"tls_context": context, "require_starttls": True}
    controller = Mail(
        Mailbox(), hostname="127.0.0.1", port=0, ssl_context=None if args.starttls else context, smtp=options
    )
    controller.start()
    return controller


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--certificate", required=True)
    parser.add_argument("--key", required=True)
    parser.add_argument("--secret", required=True)
    parser.add_argument("--user")
    parser.add_argument("--password")
    parser.add_argument("--starttls", action="store_true")
    args = parser.parse_args()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(args.certificate, args.key)
    controller = mail(args, context)
    say(mail=controller.port, https=https(args.secret.encode(), context))
    for line in sys.stdin:
        which, how = line.split()
        answers[which] = how
        say(answers=answers)


main()
