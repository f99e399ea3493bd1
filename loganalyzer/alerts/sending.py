"""Sending a message: by SMTP to an e-mail address, by HTTP to a web address.

Source: e-mail: RFC 5322, RFC 5321, STARTTLS RFC 3207; the web message: JSON, RFC 8259, by POST,
with an Idempotency-Key (IETF draft-ietf-httpapi-idempotency-key-header, from memory).
"""

import hashlib
import smtplib
import ssl
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from urllib.parse import urlsplit

import urllib3

from loganalyzer.alerts.messages import Message
from loganalyzer.settings.alerts import Mail

HOOK_TIMEOUT_S = 20.0


class UndeliveredError(Exception):
    """A message was not taken; the text says why in one line. It will be tried again."""


@dataclass(frozen=True)
class Sender:
    """How the messages of one site are sent.

    Attributes:
        mail: The mail server; null where the site file names none.
        password: Of its user; it stands in no file of ours.
        now: The date that e-mail carries, with a zone.
    """

    mail: Mail | None
    password: str | None
    now: datetime

    def send(self, message: Message) -> None:
        """Hand a message to its receiver.

        Raises:
            UndeliveredError: It was not taken.
        """
        if "://" in message.to:
            self._post(message)
        else:
            self._mail(message)

    def _mail(self, message: Message) -> None:
        mail = self.mail
        if mail is None:
            raise UndeliveredError("the site file has no [mail] table with a server")
        if mail.user and not self.password:
            raise UndeliveredError("no password: set LOGANALYZER_MAIL_PASSWORD")
        context = ssl.create_default_context()
        try:
            with _server(mail, context) as server:
                if mail.security == "starttls":
                    server.starttls(context=context)
                if mail.user and self.password:
                    server.login(mail.user, self.password)
                server.send_message(email(message, mail.sender, self.now))
        except (smtplib.SMTPException, OSError) as error:
            raise UndeliveredError(
                f"{mail.host}:{mail.port} did not take it ({_said(error)})"
            ) from error

    def _post(self, message: Message) -> None:
        headers = {
            "Content-Type": "application/json; charset=utf-8",
            "Idempotency-Key": message_id(message.key),
            "User-Agent": "loganalyzer",
        }
        host = urlsplit(message.to).netloc.rpartition("@")[2]
        try:
            answer = urllib3.request(
                "POST", message.to, body=message.body.encode(), headers=headers, retries=False,
                timeout=urllib3.Timeout(total=HOOK_TIMEOUT_S), redirect=False,
            )  # fmt: skip
        except urllib3.exceptions.HTTPError as error:
            raise UndeliveredError(f"{host} did not answer ({_said(error)})") from error
        if not 200 <= answer.status < 300:
            raise UndeliveredError(f"{host} answered {answer.status}, expected 200 to 299")


def email(message: Message, sender: str, now: datetime) -> EmailMessage:
    """The message as e-mail: plain text, and a Message-ID that is the same each time it is sent."""
    mail = EmailMessage()
    mail["From"], mail["To"], mail["Subject"] = sender, message.to, message.subject
    mail["Date"] = format_datetime(now)
    domain = parseaddr(sender)[1].rpartition("@")[2]
    mail["Message-ID"] = f"<{message_id(message.key)}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday notice answers it
    mail.set_content(message.text)
    return mail


def message_id(key: str) -> str:
    """A name for a message that tells nothing and is the same each time."""
    return hashlib.sha256(key.encode()).hexdigest()[:32]


def _server(mail: Mail, context: ssl.SSLContext) -> smtplib.SMTP:
    if mail.security == "tls":
        return smtplib.SMTP_SSL(mail.host, mail.port, timeout=mail.timeout_s, context=context)
    return smtplib.SMTP(mail.host, mail.port, timeout=mail.timeout_s)


def _said(error: Exception) -> str:
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
