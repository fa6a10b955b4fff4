"""`bowlside voice list | fetch | use`: the speech models of this station; `record` is in voice_record.py."""
from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from assistant.files.jsonline import dumps
from assistant.speech import voice_record

DONE, REFUSED, WRONG_USE = 0, 1, 2


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The commands with their options, below ``parser``."""
    inner = parser.add_subparsers(metavar="WHAT")
    for name, text, do in (("list", "Every speech model: installed or not, checked or not, in use or not.", list_models),
                           ("fetch", "Fetch a speech model, or take it from a local archive.", fetch_model),
                           ("use", "Hear with this model from now on, if it loads and knows the digits.", use_model)):
        command = inner.add_parser(name, help=text, description=text)
        command.set_defaults(do=do)
        if name == "fetch":
            command.add_argument("name", metavar="NAME", nargs="?", help="a model of voice list (small-english)")
            command.add_argument("--from", dest="archive", type=Path, metavar="ARCHIVE",
                             help="its zip archive on this machine, for a site without network")
        if name == "use":
            command.add_argument("model", metavar="NAME|DIR", help="a model of voice list, or the folder of a vosk model")
        command.add_argument("--json", action="store_true", help="one JSON object a line")
    text = "Give a voice for the next training: asks for what nobody has recorded yet; or checks a folder of recordings."
    command = inner.add_parser("record", help=text, description=text)
    command.set_defaults(do=voice_record.run)
    voice_record.add_arguments(command)


def list_models(args: argparse.Namespace) -> int:
    """0, whatever is installed."""
    from assistant.station import hearing
    from models import fetch, locate

    try:
        used, trouble = hearing.find_model(), None
        if used is not None and locate.is_own(used):
            used = None                                     # it has a row of its own
    except locate.ModelMissing as missing:
        used, trouble = None, str(missing)
    entries = fetch.manifest()
    there = {folder.name: folder for folder in reversed([*locate.installed(), *([used] if used else [])])}
    names = {model["name"] for model in entries.values()}
    for short, model in entries.items():
        folder = there.get(model["name"]) if model["url"] else _bundled(model)
        _show(_row(short, model, folder, used), args.json)
    for name, folder in sorted(there.items()):
        if name not in names:
            _show(_row(name, {"name": name, "engine": "vosk"}, folder, used), args.json)
    if trouble:
        print(trouble, file=sys.stderr)
    return DONE


def fetch_model(args: argparse.Namespace) -> int:
    """0: it is installed; 1: it could not be had; 2: no such model."""
    from models import fetch, locate

    entries = fetch.manifest()
    try:
        model = _wanted(args.name, args.archive, entries)
        if model is None:
            names = ", ".join(short for short, entry in entries.items() if entry["url"])
            return _complain(f"There is no model {args.name} to fetch; there is {names}.", WRONG_USE)
        before = locate.is_model(locate.INSTALLED / model["name"])
        folder = fetch.fetch(model, locate.INSTALLED, fetch.on_one_line, args.archive)
    except fetch.NotFetched as refusal:
        return _complain(refusal, REFUSED)
    row = {"name": model["name"], "folder": str(folder), "fetched": not before,
           "sha256": fetch.pinned_checksum(model, locate.INSTALLED), "checksum": _checksum(model)}
    state = "was there already" if before else f"installed, {row['checksum']}"
    told = f"{folder.name}: {state}. bowlside voice use {folder.name} makes it the one in use."
    print(dumps(row) if args.json else told)
    return DONE


def use_model(args: argparse.Namespace) -> int:
    """0: remembered; 1: it does not load or is not English, or can't be remembered; 2: there is no such model."""
    from assistant.station import station_settings
    from models import fetch, grammar, locate
    from models.vosk_engine import VoskEngine

    entries = fetch.manifest()
    name = entries.get(args.model, {}).get("name", args.model)
    asked = locate.OWN if name == entries["own"]["name"] else args.model
    folder = next((installed for installed in locate.installed() if installed.name == name), locate.folder_of(asked))
    if name == entries["people"]["name"] or args.model == "people":
        return _complain("The model of people hears first wherever it can, beside the station's own or a larger one.", WRONG_USE)
    if name == entries["bundled-english"]["name"]:
        return _complain("The bundled English model can't be chosen: it hears only where the model of people can't.", WRONG_USE)
    if not locate.is_model(folder):
        return _complain(f"{args.model} is neither an installed model nor the folder of a vosk model; bowlside voice list "
                         "names those that are here.", WRONG_USE)
    folder = folder.resolve()
    try:
        engine = VoskEngine(folder, second=False)
    except RuntimeError as error:
        return _complain(error, REFUSED)
    if set(engine.lacks) & set(grammar.ESSENTIAL):
        return _complain(f"The model in {folder} does not know {', '.join(engine.lacks)}, so no reading could be heard with "
                         "it; nothing was changed. Choose an English one.", REFUSED)
    try:
        station_settings.write("hearing", "model", locate.OWN if locate.is_own(folder) else str(folder))
    except station_settings.StationSettingsError as error:
        return _complain(error, REFUSED)
    if args.json:
        print(dumps({"in_use": str(folder), "lacks": engine.lacks, "remarks": engine.sentences}))
    else:
        print(" ".join([f"{folder.name} is in use from the next start.", *engine.sentences]))
    if os.environ.get(locate.VARIABLE):
        print(f"${locate.VARIABLE} is set and wins over this choice while it is.", file=sys.stderr)
    return DONE


def _wanted(name: str | None, archive: Path | None, entries: dict[str, dict]) -> dict | None:
    """What to fetch. An archive says itself which model it holds; one that the manifest does not know is unverified."""
    from models import fetch

    by_name = {model["name"]: model for model in entries.values() if model["url"]} | {
        short: model for short, model in entries.items() if model["url"]}
    if archive is None:
        return by_name.get(name or "small-english")
    inside = fetch.named_in(archive)
    if name is None:
        return by_name.get(inside, {"name": inside, "url": "", "sha256": ""})
    asked = by_name.get(name)
    if asked and asked["name"] != inside:
        raise fetch.NotFetched(f"{archive} holds {inside}, not {asked['name']}; nothing was installed.")
    return asked


def _bundled(model: dict[str, Any]) -> Path | None:
    """Where a model lies that comes with the station or with a package; None: it should, but is not there."""
    from models import locate

    if model["engine"] == "pocketsphinx":
        from models.pocketsphinx_engine import MODEL
        return MODEL
    if model["engine"] == "people":
        return locate.PEOPLE if _people_checksum() is not None else None
    return locate.SHIPPED if locate.is_model(locate.SHIPPED) else None


def _people_checksum() -> str | None:
    """None: the model of people is not there."""
    from models import locate
    from models.encoder import checksum
    from models.people_engine import WEIGHTS

    try:
        return checksum(locate.PEOPLE / WEIGHTS)
    except OSError:
        return None


def _row(short: str, model: dict[str, Any], folder: Path | None, used: Path | None) -> dict[str, Any]:
    """used: the installed model that was found, English or not; None: none, or the station's own was chosen."""
    from models import fetch

    by_package = model["engine"] == "pocketsphinx"
    bundled = model.get("url") == ""
    people = model["engine"] == "people"
    if by_package:
        in_use = _people_checksum() != fetch.manifest()["people"]["sha256"]
    else:
        in_use = folder is not None and (people or (not _is_english(used) if bundled else folder == used))
    return {"name": short, "model": model["name"], "engine": model["engine"], "licence": model.get("licence"),
            "size_mb": model.get("size_mb"), "sample_rate": model.get("sample_rate"), "bundled": bundled,
            "installed": folder is not None, "folder": str(folder) if folder else None,
            "checksum": "by its package" if by_package else _checksum(model, folder if bundled else None),
            "in_use": in_use, "lacks": _lacks(folder, by_package)}


def _is_english(folder: Path | None) -> bool:
    from models import grammar

    lacks = None if folder is None else _lacks(folder, False)
    return lacks is not None and not set(lacks) & set(grammar.ESSENTIAL)


def _checksum(model: dict[str, Any], bundled: Path | None = None) -> str:
    """verified: the manifest's; pinned: as at the first fetch, never checked by us; unverified: not even that;
    differs: the station's own model is not the one that was checked."""
    from models import fetch, locate
    from models.encoder import checksum

    if model.get("engine") == "people":
        return "verified" if _people_checksum() == model["sha256"] else "differs"
    if bundled is not None:
        try:
            return "verified" if checksum(bundled / locate.NETWORK) == model["sha256"] else "differs"
        except OSError:
            return "unverified"
    pinned = fetch.pinned_checksum(model, locate.INSTALLED)
    if model.get("sha256") and pinned == model["sha256"]:
        return "verified"
    return "pinned" if pinned else "unverified"


def _lacks(folder: Path | None, by_package: bool) -> list[str] | None:
    """Words of our grammar that can't be heard with it; None: not known, since it is not here or its list is torn."""
    from assistant.core.expect import Expect
    from models import grammar, locate, vocabulary
    from models.lexicon import read_lexicon

    if folder is None:
        return None
    try:
        if by_package:
            lines = (folder / "cmudict-en-us.dict").read_text(encoding="utf-8").splitlines()
            known: Any = {line.split(maxsplit=1)[0] for line in lines if line.strip()}
        elif folder == locate.PEOPLE:
            known = read_lexicon(folder / "lexicon.txt")
        else:
            known = vocabulary.known_words(folder)
    except (OSError, ValueError, vocabulary.NoVocabulary):
        return None
    return vocabulary.missing(known, grammar.words_for(Expect("reading")))


def _show(row: dict[str, Any], as_json: bool) -> None:
    if as_json:
        print(dumps(row))
        return
    about = ", ".join(text for text in (row["engine"], row["size_mb"] and f"{row['size_mb']} MB",
                                        row["sample_rate"] and f"{row['sample_rate']} Hz", row["licence"]) if text)
    if row["bundled"]:
        state = f"comes with the station, in {row['folder']}" if row["installed"] else "missing, though it comes with the station"
    else:
        state = f"installed in {row['folder']}" if row["installed"] else f"not installed: bowlside voice fetch {row['name']}"
    lacks = f"; does not know {', '.join(row['lacks'])}" if row["lacks"] else ""
    print(f"{'*' if row['in_use'] else ' '} {row['name']} ({about}): {state}; checksum {row['checksum']}{lacks}")


def _complain(sentence: object, code: int) -> int:
    print(sentence, file=sys.stderr)
    return code
