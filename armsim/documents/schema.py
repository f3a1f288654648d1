"""JSON Schema of the documents, for editors: every key with its meaning, every quantity with a pattern of its units."""

from __future__ import annotations

from typing import Any

from armsim.documents.arm_document import ArmDocument
from armsim.documents.encoder_document import EncoderDocument
from armsim.documents.from_spec import document_type
from armsim.documents.inheritance import ChangesDocument
from armsim.documents.kinds import DOCUMENT_TYPES
from armsim.model.chain import OriginTolerances, RowTolerances
from armsim.results.json_records import DIALECT
from armsim.tasks import KINDS as TASK_KINDS

MEANINGS = {
    "a": "length of the link along its x axis",
    "alpha": "twist of the link about its x axis",
    "incompatible": "encoders that exclude each other: two names, or two joints with an encoder each",
    "arms": (
        "number of arms for which encoders are bought together: it sets prices by quantity and divides one-off costs"
    ),
    "arm": "the arm: a file, relative to this one, or the document itself",
    "at": "position of the plane along its normal",
    "base": "pose of the arm: its base in the world",
    "ChangesDocument.base": "scenario that this one changes, relative to this file",
    "base_link": "link of the URDF file at which the chain begins",
    "bearing": "error motions of the axis of the joint, or of the guide of a slide",
    "bending": "compliance of the joint and its link under gravity",
    "asynchronous": "error motions that scatter from visit to visit",
    "BearingDocument.synchronous": "error motions that repeat with the position, order by order",
    "branch": "joints that stay on one side of zero: positive or negative",
    "bus": "bus on which positions are read",
    "calibration": "how every built arm is calibrated, for calibrate and select --calibrated",
    "CalibrationDocument.poses": "poses at which the arm is measured",
    "MeasuredPosesDocument.file": "joint positions in a CSV",
    "identify": "parameters that are identified and corrected in the controller",
    "instrument": "instrument that measures the tool point",
    "output_orders": "orders of the error per turn of the joint: a list, or one for every joint",
    "input_orders": "orders of the error per turn of the motor: a list, or one for every joint",
    "std": "standard deviation of a reading along each axis, or along x, y, z of the base",
    "changes": "values by path: joints.j2.mounting.eccentricity: 10 um",
    "convention": "convention of the kinematics: standard-dh, modified-dh or urdf",
    "corrections": "share of an error that calibration removes",
    "couplings": "drives that move with several joints: phi = C q; an error of phi moves the joints by C inverse",
    "CouplingDocument.joint": "joint whose drive it is",
    "CouplingDocument.placement": "motor: the coupling lies "
    "between motor and joint, a sensor on the joint sees the joint alone; both kinds of sensor see it where not given",
    "coefficients": "motion at the drive, in the unit of its joint before its own gear, per motion of each joint",
    "factor": "motion of the follower per motion of the joint that it follows",
    "followers": "joints without a drive, which move with others",
    "FollowerDocument.joint": "the joint without a drive",
    "follows": "joint that it moves with, or several with a factor each",
    "FollowerDocument.offset": "position of the follower where the joints that it follows are at zero",
    "cube": "cube of the test, else the largest in front of the arm",
    "d": "length of the link along the axis before it",
    "diameter": "largest diameter of an encoder",
    "direction": "direction of the z axis of the tool; the rotation about it is free",
    "distances": "pairs of poses whose distance is evaluated (AD, RD)",
    "elbow": "angle of the elbow about the line to the wrist",
    "encoder": "the sensor: a file, relative to this one, file.yaml#name of a catalogue, or the document itself",
    "encoders": "encoders to choose from: a list, or a table, CSV or XLSX, relative to this file",
    "error_curve": "a measured curve of its sensor in place of causes",
    "error_curves": "measured curves of a batch: distribution of the population in place of causes",
    "environment": "temperature rise, and the growth that follows it",
    "expansion": "thermal expansion of the links",
    "file": "file, relative to this one",
    "frame": "frame of the cells; the base where not given",
    "groups": "groups of joints, such as base and wrist",
    "ScenarioDocument.groups": "settings that all joints of a "
    "group share, by the name of a group of the arm, or with joints: and their names; a joint's own settings win",
    "specification": "file of kind specification: requirement and tasks that several scenarios share",
    "hold": "joints that are held at a position",
    "interface": "interface of the encoder, matched with the needs of a joint",
    "joint": "name of the joint",
    "joints": "one entry for every joint",
    "PoseDocument.joints": "joint positions of the pose",
    **{f"{task.__name__}Document.kind": "kind of the task" for task in TASK_KINDS},
    "kind": "kind of the document",
    "kinematics": "arrangement of links and joints, base first",
    "limits": "restrictions on the encoders of the arm, groups and joints",
    "links": "mass of the link that a joint moves, by the joint",
    "maps": "what is drawn over the cells",
    "mass": "mass of the encoder; in limits, the largest mass of all encoders together",
    "masses": "masses of links and payload, for wind-up",
    "motion": "speeds of the joints at which ripple and noise are evaluated",
    "motor_encoder": "second sensor, on the motor, with placement both",
    "motor_encoders": "encoders of the list that may be the second sensor, on the motor, with placement both; a joint "
    "keeps its own where none is named",
    "mounting": "mounting errors of scale and head",
    "mountings": "ways of mounting, with their prices",
    "name": "name, as results show it",
    "needs": "requirements on its sensor as a part: size, environment, functions; select and trade-off keep them",
    "NeedsDocument.motor": "what a sensor on the motor needs, in place of what both need",
    "NeedsDocument.output": "what a sensor on the output needs, in place of what both need",
    "near": "joint positions near which a posture is searched",
    "nearest": "joint positions to which the posture shall be closest",
    "payload": "what the tool carries, in the frame of the tool",
    "placements": "prices of the placements motor, output and both",
    "points": "how many points",
    "poses": "poses by joints, or by the position of the tool",
    "posture": "rule that chooses among postures where an axis is free",
    "price": "cost units",
    "range": "lower and upper end of the joint",
    "requirement": "limits of the tool-point error; in a task, limits in place of those of the scenario",
    "rpy": "roll, pitch, yaw of the tool or of the frame",
    "sampling": "number of arms and visits, seed of the random numbers",
    "signal": "imperfections of sine and cosine, over the amplitude",
    "speed": "speed of the tool point along the path",
    "speeds": "speeds of the joints, where the arm passes the pose in motion",
    "step": "distance between points of the path",
    "stock": "pieces in stock, the most that can be chosen",
    "tasks": "poses and paths at which the tool point is evaluated",
    "toolbox": "a model that roboticstoolbox holds by name, such as Puma560: rows, ranges, masses, base, tool",
    "waypoints": "points of the path, its start first",
    "timing": "age of a reading and scatter of its instant",
    "tip_link": "link of the URDF file at which the chain ends",
    "to": "end of a line or arc",
    "same_encoder": "joints that take the same encoder",
    "same_family": "joints that take encoders of one family",
    "modules": "joints that are one module: the same encoder, mounting and placement",
    "tolerances": "errors of the link parameters",
    "tool": "orientation of the tool: roll, pitch, yaw",
    "DHKinematics.tool": "frame of the tool point on the last link",
    "URDFKinematics.tool": "frame of the tool point on the last link",
    "ToolboxKinematics.tool": "frame of the tool point on the last link",
    "transmission": "the gear between motor and joint",
    "type": "type of the joint, revolute or prismatic",
    "TransmissionDocument.type": "type of the gear, which gives typical values of what is not stated",
    "types": "largest number of encoder types",
    "uniform": "uniform over the joints or over the reach",
    "via": "point of an arc between its ends",
    "x": "lower and upper end",
    "xyz": "position of the tool, or of the frame",
    "y": "lower and upper end",
    "z": "lower and upper end",
    "plane": "plane of the cells, or of the diagonal",
    "theta": "angle about the axis before the link",
    "offset": "value added to the joint variable",
    "identified": "identified parameters of this arm, written by armsim calibrate --write",
    "correlations": "correlations below the diagonal, a row for every parameter after the first",
    "parameters": "identified parameters, in the order of the correlations",
    "parameter": "zero of a joint, cosine or sine of its error wave, or a constant of its link",
    "order": "periods of the wave per turn of the joint",
    "period": "period of the wave of a slide",
    "value": "identified correction of the parameter; rows already contain that of zeros and links",
    "IdentifiedParameter.std": "standard uncertainty of the parameter",
}
"""Descriptions of keys that are not declared beside a field of the model."""


def document_schema(kind: str) -> dict[str, Any]:
    """JSON Schema of a kind of document."""
    schema = DOCUMENT_TYPES[kind].model_json_schema()
    if kind == "catalogue":
        encoders = schema["properties"]["encoders"]
        table_schema = {
            "type": "string",
            "pattern": r"\.([cC][sS][vV]|[tT][sS][vV]|[xX][lL][sS][xX])$",
            "format": "path",
        }
        schema["properties"]["encoders"] = {"anyOf": [encoders, table_schema]}
    if kind != "scenario":
        return _with_meanings(schema)
    joint = schema["$defs"]["JointDocument"]
    names = {"type": "array", "items": {"type": "string"}, "description": "Names of the joints of the group."}
    group = {**joint, "properties": {**joint["properties"], "joints": names}, "required": [], "title": "GroupSettings"}
    schema["$defs"]["GroupSettings"] = group
    schema["properties"]["groups"] = {"type": "object", "additionalProperties": {"$ref": "#/$defs/GroupSettings"}}
    changes_schema = ChangesDocument.model_json_schema()
    changes_schema["title"] = "ChangesDocument"
    defs = {**schema.pop("$defs", {}), **changes_schema.pop("$defs", {})}
    return _with_meanings({"$defs": defs, "anyOf": [schema, changes_schema]})


def printed_schema(kind: str) -> dict[str, Any]:
    """JSON Schema of a kind of document, with the dialect in which it is written."""
    return {"$schema": DIALECT, **document_schema(kind)}


def _with_meanings(schema: dict[str, Any]) -> dict[str, Any]:
    defs: dict[str, Any] = schema.setdefault("$defs", {})
    _expand_references(schema, defs)
    for node in [schema, *schema.get("anyOf", ()), *defs.values()]:
        for name, entry in node.get("properties", {}).items():
            units = entry.get("description", "")
            if not units[:1].isupper():  # a declared meaning is a sentence; what is accepted is none
                meaning = MEANINGS.get(f"{node.get('title')}.{name}") or MEANINGS[name]
                entry["description"] = f"{meaning[:1].upper()}{meaning[1:]}{f'; {units}' if units else ''}."
    return schema


REFERENCES = {
    "arm": ArmDocument, "encoder": EncoderDocument, "motor_encoder": EncoderDocument,
}  # fmt: skip


def _expand_references(schema: dict[str, Any], defs: dict[str, Any]) -> None:
    """Accept a path or an inline document for references, and either kind of row for tolerances of links."""
    for node in [schema, *schema.get("anyOf", ()), *list(defs.values())]:
        for name, entry in node.get("properties", {}).items():
            if name in REFERENCES and not {"$ref", "type", "anyOf"} & set(entry):
                entry["anyOf"] = [
                    {"type": "string", "minLength": 1, "format": "path"},
                    _reference_to(REFERENCES[name], defs),
                ]
                if name == "motor_encoder":
                    entry["anyOf"].append({"type": "null"})
            if name == "tolerances" and node.get("title") == "ArmDocument":
                entry["anyOf"] = [
                    _reference_to(document_type(rows), defs) for rows in (RowTolerances, OriginTolerances)
                ]


def _reference_to(document: Any, defs: dict[str, Any]) -> dict[str, Any]:
    if document.__name__ not in defs:
        schema = document.model_json_schema()
        for name, entry in schema.pop("$defs", {}).items():
            defs.setdefault(name, entry)
        defs[document.__name__] = schema
        _expand_references({"properties": {}, "anyOf": [schema]}, defs)
    return {"$ref": f"#/$defs/{document.__name__}"}
