"""Shared settings: of the joints of a group, and of scenarios that refer to the same specification.

They are merged into the scenario before it is checked. Messages still name where each value was written.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from armsim.documents.kinds import read_kind
from armsim.documents.messages import validate
from armsim.documents.scenario_document import SpecificationDocument
from armsim.documents.source import read_named_file, read_source
from armsim.sources import KeyPath, Source

SPECIFICATION_KEYS = ("requirement", "tasks")
"""Keys of a scenario that may be stated in a specification instead."""
Origins = dict[KeyPath, tuple[Source, KeyPath]]
"""For key paths of the merged scenario, source and key path where the value was written, for messages."""


def with_shared_settings(source: Source) -> tuple[Source, tuple[Source, ...]]:
    """Scenario with the settings of its groups and of its specification merged in.

    Settings of a joint override those of its group, key by key. ``requirement`` and ``tasks`` of a scenario replace
    those of its specification as a whole.

    Parameters
    ----------
    source : Source
        The scenario as it was read.

    Returns
    -------
    source : Source
        The merged scenario, without the keys ``groups`` and ``specification``.
    files : tuple of Source
        The specification file, if there is one.

    Raises
    ------
    InputError
        A specification that cannot be read, or groups that are not mappings, are unknown or have a joint in common.
    """
    data, origins = dict(source.data), dict(source.origins)
    files: tuple[Source, ...] = ()
    if "specification" in data:
        files = (_with_specification(data, origins, source),)
    if "groups" in data:
        _with_groups(data, origins, source)
    return replace(source, data=data, origins=origins), files


def _with_specification(data: dict[str, Any], origins: Origins, source: Source) -> Source:
    """Merge requirement and tasks of a specification into a scenario; return its file."""
    key_path, name = ("specification",), data.pop("specification")
    if not isinstance(name, str) or not name:
        raise source.error(key_path, f"{str(name)[:60]!r} is not a reference", "a path to a file of kind specification")
    path = source.resolve_path(key_path, name)
    file = read_kind(path, "specification", read_named_file(path, source, key_path))
    validate(SpecificationDocument, file.data, file, ())
    for key in SPECIFICATION_KEYS:
        earlier_source, _ = origins.get((key,), (source, ()))
        if key in file.data and (key not in data or earlier_source.data.get("kind") == "specification"):
            data[key] = file.data[key]
            origins[(key,)] = file, (key,)
    return file


def _with_groups(data: dict[str, Any], origins: Origins, source: Source) -> None:
    """Merge the settings of groups into joints that do not state them."""
    groups = data.pop("groups")
    if not isinstance(groups, dict):
        raise source.error(("groups",), "not a mapping", "names of groups, each with settings of its joints")
    entries = data.get("joints", {})
    if not isinstance(entries, dict):
        return  # reported when the joints are checked
    joints: dict[str, Any] = {}
    members = _members(groups, source)
    for group, settings in groups.items():
        shared = {key: value for key, value in settings.items() if key != "joints"}
        for joint in members[group]:
            if joint in joints:
                raise source.error(
                    ("groups", group), f"joint {joint!r} has settings of two groups", "one group a joint"
                )
            if joint not in entries:
                origins["joints", joint] = source, ("groups", group)
            entry = entries.get(joint, {})
            if isinstance(entry, dict):
                joints[joint] = _merge_settings(shared, entry, ("joints", joint), ("groups", group), origins, source)
    data["joints"] = {**joints, **{joint: entry for joint, entry in entries.items() if joint not in joints}}


def _members(groups: Mapping[str, Any], source: Source) -> dict[str, list[str]]:
    """Joints of every group: those listed under ``joints``, otherwise those of the arm's group of the same name."""
    arm_groups = _groups_of_arm(source)
    members: dict[str, list[str]] = {}
    for group, settings in groups.items():
        key_path = ("groups", group)
        if not isinstance(settings, dict):
            raise source.error(
                key_path, "not a mapping", "settings of joints: encoder, placement, mounting, transmission"
            )
        listed = settings.get("joints")
        if listed is None and group not in arm_groups:
            names = f"one of {', '.join(arm_groups)}; " if arm_groups else ""
            raise source.error(key_path, "no group of the arm", f"{names}or joints: with the names of its joints")
        if listed is not None and (not isinstance(listed, list) or not all(isinstance(name, str) for name in listed)):
            raise source.error((*key_path, "joints"), f"{str(listed)[:60]!r}", "a list of names of joints")
        members[group] = arm_groups[group] if listed is None else listed
    return members


def _groups_of_arm(source: Source) -> dict[str, list[str]]:
    """Groups stated in the document of the arm; empty if invalid, which is reported when the arm is checked."""
    arm = source.data.get("arm")
    if isinstance(arm, str) and arm:
        path = source.resolve_path(("arm",), arm)
        arm = read_source(path, read_named_file(path, source, ("arm",))).data
    groups = arm.get("groups", {}) if isinstance(arm, dict) else {}
    if not isinstance(groups, dict):
        return {}
    return {
        str(name): [joint for joint in joints if isinstance(joint, str)]
        for name, joints in groups.items()
        if isinstance(joints, list)
    }


def _merge_settings(
    shared: Mapping[str, Any],
    entry: Mapping[str, Any],
    key_path: KeyPath,
    written_at: KeyPath,
    origins: Origins,
    source: Source,
) -> dict[str, Any]:
    """Settings of a joint; keys that it does not state are taken from its group, also in nested mappings."""
    merged = dict(entry)
    for key, value in shared.items():
        if key not in entry:
            merged[key] = copy.deepcopy(value)
            origins[*key_path, key] = source, (*written_at, key)
        elif isinstance(value, dict) and isinstance(entry[key], dict) and "kind" not in entry[key]:
            merged[key] = _merge_settings(value, entry[key], (*key_path, key), (*written_at, key), origins, source)
    return merged
