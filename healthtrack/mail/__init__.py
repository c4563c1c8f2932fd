"""The only home of smtplib: messages, the password, and handing a message to a server."""

from healthtrack.mail.message import (
    Attachment,
    Letter,
    Picture,
    build,
    message_id,
    without_attachments,
)
from healthtrack.mail.sending import Answer, Courier, FolderCourier, SmtpCourier

__all__ = [
    "Answer",
    "Attachment",
    "Courier",
    "FolderCourier",
    "Letter",
    "Picture",
    "SmtpCourier",
    "build",
    "message_id",
    "without_attachments",
]
