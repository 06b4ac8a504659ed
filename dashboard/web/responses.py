"""Answers of the page's server that are no page."""

from fastapi import Response

from quietward.contracts.messages import encode_json


def json_answer(document: object) -> Response:
    """Return a document as JSON."""
    return Response(encode_json(document), media_type="application/json")


def file_answer(content: bytes, media_type: str, name: str) -> Response:
    """Return an answer that a browser saves under a name."""
    return Response(content, media_type=media_type, headers={"content-disposition": f'attachment; filename="{name}"'})
