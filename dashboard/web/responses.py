"""HTTP responses that are not pages."""

from fastapi import Response

from quietward.contracts.fields import encode_json


def json_response(document: object) -> Response:
    """Return a document as JSON."""
    return Response(encode_json(document), media_type="application/json")


def file_response(content: bytes, media_type: str, name: str) -> Response:
    """Return content that a browser saves as a file of that name."""
    return Response(content, media_type=media_type, headers={"content-disposition": f'attachment; filename="{name}"'})
