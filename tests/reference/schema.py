"""Validates every shipped protocol file against the committed schemas with `jsonschema` (PyPI), an independent
implementation of JSON Schema draft 2020-12, and shows that wrong files are rejected. Writes no table."""

import copy
import json
import pathlib
import sys
import tomllib

import jsonschema

root = pathlib.Path(__file__).resolve().parents[2] / "protocols"
rejected = accepted = 0
for sort in ("chassis", "remote", "bus"):
    schema = json.loads((root / "schema" / f"{sort}.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for path in sorted((root / sort).glob("*.toml")):
        data = tomllib.loads(path.read_text())
        for error in validator.iter_errors(data):
            sys.exit(f"{path}: {error.json_path}: {error.message}")
        accepted += 1
        # Every table in turn gets a field that no file has; identities get values of the wrong type.
        tables = [[name] for name in data if isinstance(data[name], dict) and name not in ("keys",)]
        for where in [[]] + tables:
            wrong = copy.deepcopy(data)
            at = wrong
            for name in where:
                at = at[name]
            at["no_such_field"] = 1
            if validator.is_valid(wrong):
                sys.exit(f"{path}: a field that no file has is accepted in {where or 'the file'}")
            rejected += 1
        for name in ("chassis", "format", "remote", "bus"):
            if name in data:
                for field, value in (("name", 7), ("version", "one")):
                    wrong = copy.deepcopy(data)
                    if field not in wrong[name]:
                        continue
                    wrong[name][field] = value
                    if validator.is_valid(wrong):
                        sys.exit(f"{path}: {name}.{field} = {value!r} is accepted")
                    rejected += 1
if accepted < 15 or rejected < 2 * accepted:
    sys.exit(f"only {accepted} files and {rejected} wrong ones")
print(f"   {accepted} files accepted, {rejected} wrong ones rejected")
