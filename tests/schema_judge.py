"""Whether the JSON of a command fits its schema and has no field that the schema lacks; by jsonschema."""

import functools
import json

import jsonschema

from mixmon.guide.topics import schema_text


def closed(schema):
    """The schema with no room for fields that it does not name."""
    if isinstance(schema, list):
        return [closed(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    inner = {name: closed(one) for name, one in schema.items()}
    return {"additionalProperties": False, **inner} if "properties" in inner else inner


@functools.cache
def judge(command):
    return jsonschema.Draft202012Validator(closed(json.loads(schema_text(command))))


def misfits(command, document):
    """Where the document does not fit, and why; empty where it does."""
    errors = judge(command).iter_errors(document)
    return [f"{list(error.absolute_path)}: {error.message[:200]}" for error in errors]
