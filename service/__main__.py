"""The command line: serve, demo, migrate, import, check."""

import json
import logging
import socket
import sys
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import typer
import uvicorn
from fastapi import FastAPI
from pydantic import ValidationError

from service.api.health import JsonLines
from service.errors import BadInput, ServiceError, Unavailable
from service.main import create_app
from service.operations import backup as safekeeping
from service.operations.constructs import load_constructs
from service.operations.cover.check import check_day
from service.operations.demo import is_loaded, load_demo, read_toml
from service.operations.guidance import load_guidance
from service.operations.imports import FORMATS, import_file
from service.operations.people.accounts import add_person, make_token
from service.operations.people.audit import trail
from service.operations.readiness import answer_kit, answer_readiness
from service.operations.readiness import answer_par_problem as answer_par
from service.operations.sizing import load_defaults
from service.operations.work import Caller, Work
from service.schemas.cover import CheckOut
from service.schemas.faults import faults_of, words_of
from service.schemas.people import PersonBody, TokenBody
from service.settings import Settings

app = typer.Typer(
    help="Theatre implant inventory and construct-kit planner.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


#: Files that are not tables, and what loads them.
TOML_FILES = {"constructs": load_constructs, "sizing": load_defaults, "guidance": load_guidance}


AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for programs")]


def _work() -> Work:
    """Open the database; what a command changes stands in the audit trail under its name."""
    work = Work(Settings())
    work.prepare()
    caller = Caller("command line", subject=f"traywright {' '.join(sys.argv[1:2])}")
    return work.for_caller(caller, lambda unit: trail(unit, caller))


def _say(text: str, facts: object, *, as_json: bool) -> None:
    typer.echo(json.dumps(facts, indent=2, default=str) if as_json else text)


@app.command()
def serve(
    *, demo: Annotated[bool, typer.Option(help="Load the demo hospital on first start")] = False
) -> None:
    """Serve the API and the pages until stopped."""
    settings = Settings()
    if demo:
        work = _work()
        if not work.read(is_loaded):
            work.write(lambda unit: load_demo(unit, settings.seed_folder), "demo")
            typer.echo("The demo hospital is loaded; everything in it is invented.")
        work.close()
    if settings.log_json and not demo:
        _log_as_json()
    with _listening(settings) as listener:
        port = listener.getsockname()[1]
        typer.echo(f"Traywright is at http://{settings.host}:{port} – stop it with Ctrl+C.")
        served = create_app(settings)
        server = uvicorn.Server(config_of(settings, served))
        served.state.is_stopping = lambda: server.should_exit
        # The server has stopped in good order when it hands on the signal that stopped it.
        with suppress(KeyboardInterrupt):
            server.run(sockets=[listener])
    typer.echo("Stopped.")


def config_of(settings: Settings, served: FastAPI) -> uvicorn.Config:
    """Say how an application is served: whose word on TLS and on the client's address is taken."""
    return uvicorn.Config(
        served,
        log_level="warning",
        proxy_headers=True,
        forwarded_allow_ips=settings.trusted_proxies,
        server_header=False,
    )


def _log_as_json() -> None:
    """Write one JSON object a line to standard error: requests with their id, and what fails."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonLines())
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    # Its own lines would say every request a second time, with the query that ours leave out.
    logging.getLogger("uvicorn.access").disabled = True


def _listening(settings: Settings) -> socket.socket:
    """Take the port before anything is said, so that a taken one is a sentence."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    try:
        made = socket.create_server((settings.host, settings.port), family=family, backlog=2048)
    except OSError as error:
        why = str(error.strerror).partition(" (")[0].lower()
        raise Unavailable(
            f"Port {settings.port} on {settings.host} cannot be used: {why}. Stop what uses it, or "
            "set another port with TRAYWRIGHT_PORT."
        ) from error
    # Passed on to every connection. asyncio does so only for sockets it has made itself, and
    # without it an answer's second part waits for the client's delayed acknowledgement: 40 ms.
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return made


@app.command()
def migrate(*, as_json: AsJson = False) -> None:
    """Upgrade the database."""
    work = _work()
    _say("The database is up to date.", {"current": work.is_ready()}, as_json=as_json)


@app.command()
def demo(*, as_json: AsJson = False) -> None:
    """Load the demo hospital into an empty database; dates move to the coming days."""
    work = _work()
    taken = work.write(lambda unit: load_demo(unit, work.settings.seed_folder), "demo")
    lines = "\n".join(f"  {name}: {count}" for name, count in taken.items())
    _say(
        f"The demo hospital is loaded; everything in it is invented.\n{lines}",
        taken,
        as_json=as_json,
    )


@app.command("import")
def import_(
    kind: Annotated[str, typer.Argument(help=f"One of {', '.join([*FORMATS, *TOML_FILES])}")],
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False)],
    *,
    good_rows: Annotated[
        bool, typer.Option(help=("Import the valid rows and skip the rest"))
    ] = False,
    acknowledge: Annotated[str, typer.Option(help="Confirmation code from the refusal")] = "",
    as_json: AsJson = False,
) -> None:
    """Import a CSV or XLSX file, or a TOML file of constructs, sizing or guidance."""
    work = _work()
    if kind in TOML_FILES:
        load = TOML_FILES[kind]
        count = work.write(lambda unit: load(unit, read_toml(file)), "command line")
        _say(f"{count} imported from {file.name}.", {"taken": count}, as_json=as_json)
        return
    if kind not in FORMATS:
        known = ", ".join([*FORMATS, *TOML_FILES])
        raise BadInput(f"Unknown file type '{kind}'. Use one of {known}.")
    done = work.write(
        lambda unit: import_file(
            unit,
            kind,
            file.read_bytes(),
            file.name,
            take_good_rows=good_rows,
            acknowledged=acknowledge,
        ),
        "command line",
    )
    text = f"{done.added} new, {done.changed} changed, {done.unchanged} unchanged."
    text += "".join(f"\nskipped: row {r.row}, {r.column}: {r.reason}" for r in done.refused)
    _say(text, done.model_dump(mode="json"), as_json=as_json)


@app.command()
def check(
    day: Annotated[str, typer.Argument(metavar="DATE", help="YYYY-MM-DD")],
    *,
    as_json: AsJson = False,
) -> None:
    """Check a list day against stock and list what is short.

    Exit status 0 when nothing is short, 1 when something is.
    """
    try:
        wanted = date.fromisoformat(day)
    except ValueError as error:
        raise BadInput(f"'{day}' is not a date. Use YYYY-MM-DD, such as 2031-03-04.") from error
    work = _work()
    answer = work.read(lambda unit: check_day(unit, wanted))
    _say(_words(answer), answer.model_dump(mode="json"), as_json=as_json)
    if answer.troubles:
        raise typer.Exit(1)


@app.command()
def readiness(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False)], *, as_json: AsJson = False
) -> None:
    """Solve a readiness problem from a JSON file: stock, sets and cases in order."""
    answer = answer_readiness(_read_json(file))
    _say(readiness_words(answer), answer, as_json=as_json)


@app.command()
def kit(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False)], *, as_json: AsJson = False
) -> None:
    """Find the fewest packs for one case that reach a target, from a JSON file."""
    answer = answer_kit(_read_json(file))
    _say(kit_words(answer), answer, as_json=as_json)


@app.command()
def par(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False)], *, as_json: AsJson = False
) -> None:
    """Evaluate par levels, or find them for a target or a budget, from a JSON file."""
    answer = answer_par(_read_json(file))
    _say(par_words(answer), answer, as_json=as_json)


def _read_json(file: Path) -> dict[str, Any]:
    try:
        data = json.loads(file.read_text(encoding="utf-8"))
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise BadInput(f"{file.name} is not valid JSON at {place}.") from error
    except UnicodeDecodeError as error:
        raise BadInput(f"{file.name} is not UTF-8 text.") from error
    if not isinstance(data, dict):
        raise BadInput(f"{file.name} does not contain a JSON object.")
    return data


@app.command()
def person(
    sign_in: Annotated[str, typer.Argument(help="The name to sign in with")],
    role: Annotated[list[str], typer.Option(help="A role; repeat the option for more than one")],
    *,
    name: Annotated[str, typer.Option(help="The person's name")] = "",
    password: Annotated[str, typer.Option(prompt=True, hide_input=True, confirmation_prompt=True)],
) -> None:
    """Add an account, such as the first administrator."""
    facts = {"sign_in": sign_in, "name": name or sign_in, "roles": role, "password": password}
    try:
        body = PersonBody.model_validate(facts)
    except ValidationError as error:
        raise BadInput("Nothing was saved.", faults=faults_of(error.errors())) from error
    added = _work().write(lambda unit: add_person(unit, body))
    typer.echo(f"{added.sign_in} can sign in as {', '.join(added.roles)}.")


@app.command()
def token(
    sign_in: Annotated[str, typer.Argument(help="The account the token belongs to")],
    role: Annotated[
        list[str], typer.Option(help=("A role of the account; repeat the option for more than one"))
    ],
    *,
    name: Annotated[str, typer.Option(help="What the token is for")] = "command line",
    days: Annotated[int, typer.Option(help="Days until it expires")] = 90,
) -> None:
    """Create an API token and print it. It is shown once only."""
    facts = {"sign_in": sign_in, "name": name, "scopes": role, "days": days}
    try:
        body = TokenBody.model_validate(facts)
    except ValidationError as error:
        raise BadInput("Nothing was saved.", faults=faults_of(error.errors())) from error
    typer.echo(_work().write(lambda unit: make_token(unit, body)).token)


@app.command()
def verify(*, as_json: AsJson = False) -> None:
    """Check that stock balances and reservations agree with the ledger.

    Exit status 0 when everything agrees, 1 when something does not.
    """
    work = _work()
    found = work.read(safekeeping.verify)
    text = f"{found.balances} balances agree with the ledger and with the reservations."
    if found.disagree:
        text = "\n".join(["Ledger and balances disagree:", *found.disagree])
    _say(text, found.model_dump(mode="json"), as_json=as_json)
    if found.disagree:
        raise typer.Exit(1)


@app.command()
def backup(target: Annotated[Path, typer.Argument(help="A file that does not exist yet")]) -> None:
    """Back up the embedded database while it is in use; the copy is verified."""
    made = safekeeping.backup(_work(), target)
    typer.echo(f"Backed up to {made}; ledger and balances of the copy agree.")


@app.command()
def restore(source: Annotated[Path, typer.Argument(exists=True, dir_okay=False)]) -> None:
    """Restore the embedded database from a backup; stop the service first."""
    kept = safekeeping.restore(Work(Settings()), source)
    typer.echo(f"Restored. The previous database is kept in {kept}.")


def _words(answer: CheckOut) -> str:
    lines = [f"List day {answer.date}, checked {answer.checked_at:%Y-%m-%d %H:%M}"]
    for one in answer.lists:
        lines.append(one.theatre)
        lines += [
            f"  {case.position}. {case.starts_at:%H:%M} {case.case} {case.side}: {case.state}"
            for case in one.cases
        ]
    if not answer.lists:
        lines.append("No list on this day.")
    lines += [f"! {trouble.case} {trouble.sentence}" for trouble in answer.troubles]
    return "\n".join([*lines, answer.caution])


def main() -> None:
    """Run the command line; what goes wrong is a sentence and exit status 2."""
    try:
        app()
    except ServiceError as error:
        faults = "".join(f"\n  {fault.pointer}: {fault.reason}" for fault in error.faults)
        typer.echo(f"{error.detail}{faults}", err=True)
        sys.exit(2)
    except ValidationError as error:
        lines = [
            f"TRAYWRIGHT_{'_'.join(map(str, fault['loc'])).upper()}: " + words_of(fault)
            for fault in error.errors()
        ]
        typer.echo("\n  ".join(["A setting is not valid:", *lines]), err=True)
        sys.exit(2)


def readiness_words(answer: dict[str, Any]) -> str:
    """Say the answer to a readiness problem, case by case."""
    how = "exact"
    if answer["method"] != "exact":
        how = f"simulated, {answer['samples']} samples"
    lines = [f"All cases can be done: {_share(answer['list_readiness'])} ({how})"]
    for case in answer["cases"]:
        error = {"value": case["readiness"], "standard_error": case["standard_error"]}
        lines.append(f"{case['case']}: {_share(error)}")
        lines += [f"  if {need['need']}: {need['readiness']:.4g}" for need in case["needs"]]
        lines += [
            f"  {one['construct']}: covered: {one['coverage']:.4g}" for one in case["constructs"]
        ]
    if answer["gains"]:
        lines.append("One more unit adds, in cases:")
        for gain in answer["gains"]:
            told = {"value": gain["gain"], "standard_error": gain["standard_error"]}
            lines.append(f"  {gain['item']}: {_share(told)}")
    return "\n".join(lines)


def kit_words(answer: dict[str, Any]) -> str:
    """Say the answer to a kit problem."""
    share, most = f"{answer['readiness']:.4g}", f"{answer['reachable']:.4g}"
    lines = [f"Reaches {share} of {most} reachable ({answer['method']}):"]
    lines += [f"  {pack['quantity']} × {pack['item']}" for pack in answer["packs"]]
    return "\n".join(lines)


def par_words(answer: dict[str, Any]) -> str:
    """Say the answer to a par problem: readiness, cost, and each level that is not nothing."""
    lines = [
        f"Ready for the next case: {answer['readiness']:.6f}; cost {answer['cost']} minor units"
    ]
    if answer.get("reached") is False:
        lines.append("The target is out of reach; this is the best possible.")
    lines += [f"  {level} × {item}" for item, level in answer["levels"].items() if level]
    return "\n".join(lines)


def _share(probability: dict[str, float]) -> str:
    error = probability["standard_error"]
    value = f"{probability['value']:.4g}"
    return f"{value} ± {error:.2g}" if error else value


if __name__ == "__main__":
    main()
