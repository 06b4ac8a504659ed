"""The file of people who may use the page."""

from pathlib import Path
from typing import Annotated

import typer

from quietward.contracts.errors import BadSettings, possible
from quietward.language.terminal import said


def person(
    name: Annotated[str, typer.Argument(help="Who may use the page.")],
    file: Annotated[Path, typer.Option("--file", help="File of people; created if it does not exist.")],
    role: Annotated[str, typer.Option("--role", help="viewer, nurse or 'in charge'.")] = "nurse",
    password: Annotated[str | None, typer.Option("--password", help="Asked for when not given.")] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take this person out of the file.")] = False,
) -> None:
    """Add somebody to the file of people who may use the page, or change her role or password."""
    from quietward.dashboard.auth import people

    known = [user for user in (people.read(file) if file.exists() else []) if user.name != name]
    if not remove:
        roles = {each.value: each for each in people.Role}
        if role not in roles:
            raise BadSettings("--role", role, possible(roles, role))
        if password is None:
            password = str(typer.prompt(said("Password"), hide_input=True, confirmation_prompt=True))
        known.append(people.new_person(name, roles[role], password))
    people.write(file, known)
    print(f"{file}: {', '.join(f'{user.name} ({said(user.role)})' for user in known) or said('nobody')}")
