"""The arm document."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BeforeValidator, Field

from armsim.documents.couplings import (
    CouplingDocument,
    FollowerDocument,
    FollowerRule,
    resolve_followers,
    stated_couplings,
    stated_followers,
)
from armsim.documents.fields import Document, FilePath, Word, quantity
from armsim.documents.from_spec import DocumentType, document_type, field_check
from armsim.documents.identified_document import IdentifiedDocument, build_identification
from armsim.documents.messages import validate
from armsim.documents.toolbox_arm import toolbox_arm
from armsim.documents.urdf import MOST_JOINTS, read_chain
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Axis, Role
from armsim.field_spec import declared_fields
from armsim.model.arm import Arm
from armsim.model.chain import TOOL, OriginTolerances, RowTolerances, denavit_hartenberg, fixed_transforms
from armsim.model.gravity import Mass, Masses, Payload
from armsim.model.identification import Identification
from armsim.model.kinematics import ArmJoint, ElementaryTransform
from armsim.model.machine import Environment
from armsim.sources import KeyPath, Source

RESERVED_NAMES = ("bias", "calibration", "instrument", "links", "machine", "target")
"""Names reserved for results that belong to no joint; joints and groups may not have them."""
Length = Annotated[float, quantity("length")]
Angle = Annotated[float, quantity("angle")]


class RevoluteRow(Document):
    """A revolute joint: the angle is the variable plus the offset."""

    name: Word
    type: Literal["revolute"]
    d: Length
    a: Length
    alpha: Angle
    offset: Angle = 0.0
    range: Annotated[list[Angle], Field(min_length=2, max_length=2)] | None = None
    tolerances: Annotated[Any, DocumentType(document_type(RowTolerances))] | None = None


class PrismaticRow(Document):
    """A prismatic joint: d is the variable plus the offset."""

    name: Word
    type: Literal["prismatic"]
    theta: Angle
    a: Length
    alpha: Angle
    offset: Length = 0.0
    range: Annotated[list[Length], Field(min_length=2, max_length=2)] | None = None
    tolerances: Annotated[Any, DocumentType(document_type(RowTolerances))] | None = None


Row = Annotated[RevoluteRow | PrismaticRow, Field(discriminator="type")]


class Frame(Document):
    """A fixed frame: shift, then roll, pitch, yaw about fixed axes."""

    xyz: tuple[Length, Length, Length] = (0.0, 0.0, 0.0)
    rpy: tuple[Angle, Angle, Angle] = (0.0, 0.0, 0.0)


class DHKinematics(Document):
    """A chain of Denavit-Hartenberg rows, base first."""

    convention: Literal["standard-dh", "modified-dh"]
    joints: Annotated[list[Row], Field(min_length=1, max_length=MOST_JOINTS)]
    base: Frame = Frame()
    tool: Frame = Frame()


class URDFKinematics(Document):
    """The chain between two links of a URDF file."""

    convention: Literal["urdf"]
    file: FilePath
    base_link: Word
    tip_link: Word
    base: Frame = Frame()
    tool: Frame = Frame()


class ToolboxKinematics(Document):
    """A robot that roboticstoolbox holds by name; base and tool replace those of the model."""

    convention: Literal["toolbox"] = "toolbox"
    toolbox: Word
    base: Frame | None = None
    tool: Frame | None = None


def _with_convention(value: Any) -> Any:
    """Kinematics by name: the convention follows from the key."""
    return {"convention": "toolbox", **value} if isinstance(value, dict) and "toolbox" in value else value


class MassesDocument(Document):
    """Masses of the links, by the joint that moves them, and of the payload, in the frame of the tool."""

    links: dict[Word, Annotated[Any, DocumentType(document_type(Mass))]] = Field(default_factory=dict)
    payload: Annotated[Any, DocumentType(document_type(Payload))] | None = None


class ArmDocument(Document):
    """Kinematics of an arm."""

    kind: Literal["arm"]
    name: Word
    kinematics: Annotated[
        Annotated[DHKinematics | URDFKinematics | ToolboxKinematics, Field(discriminator="convention")],
        BeforeValidator(_with_convention),
    ]
    groups: dict[Word, list[Word]] = Field(default_factory=dict)
    tolerances: dict[str, Any] | None = None
    masses: MassesDocument | None = None
    couplings: list[CouplingDocument] = Field(default_factory=list)
    followers: list[FollowerDocument] = Field(default_factory=list)
    expansion: Annotated[float, field_check(Environment, "expansion")] = 0.0
    identified: IdentifiedDocument | None = None


Tolerances = tuple[tuple[Axis, Distribution], ...]


class ArmParts(NamedTuple):
    """Parts of an arm document: kinematics, non-zero tolerances [rad or m], masses, identified parameters."""

    arm: Arm
    tolerances: Tolerances
    masses: Masses | None
    identification: Identification | None


def build_arm(document: ArmDocument, source: Source, key_path: KeyPath = ()) -> ArmParts:
    """Build the arm of a document, with the tolerances and masses of its links.

    Masses in the document replace those of a URDF file.

    Parameters
    ----------
    document : ArmDocument
    source : Source
        File of the document, for error messages.
    key_path : key path
        Place of the document in that file.

    Raises
    ------
    InputError
        An unknown joint, a reserved name, or a fault in the URDF file.
    """
    stated_kinematics, urdf_masses = document.kinematics, dict[str, Mass]()
    kinematics_path = (*key_path, "kinematics")
    if isinstance(stated_kinematics, ToolboxKinematics):
        kinematics, urdf_masses = _toolbox_kinematics(stated_kinematics, source, kinematics_path)
    else:
        kinematics = stated_kinematics
    if isinstance(kinematics, URDFKinematics):
        rows, chain, rules, urdf_masses = read_chain(
            source.resolve_path((*kinematics_path, "file"), kinematics.file),
            kinematics.base_link,
            kinematics.tip_link,
            source,
            kinematics_path,
        )
        tolerance_type: type = OriginTolerances
    else:
        (rows, chain), rules = _rows(kinematics, source, kinematics_path), {}
        tolerance_type = RowTolerances
    rules |= stated_followers(document.followers, rows, source, (*key_path, "followers"))
    joints, chain = resolve_followers(rows, chain, rules)
    if not joints:
        raise source.error((*key_path, "followers"), "no joint has a drive", "a joint that follows no other")
    if isinstance(kinematics, DHKinematics):
        _check_ranges(kinematics, rules, source, kinematics_path)
    couplings = stated_couplings(document.couplings, joints, source, (*key_path, "couplings"))
    names = [joint.name for joint in joints]
    for group, members in document.groups.items():
        for position, member in enumerate(members):
            if member not in names:
                raise source.error((*key_path, "groups", group, position), f"no joint {member!r}", ", ".join(names))
    grouped = [member for members in document.groups.values() for member in members]
    for member in grouped:
        if grouped.count(member) > 1:
            raise source.error((*key_path, "groups"), f"joint {member!r} is listed twice", "each joint in one group")
    shared_tolerances = validate(
        document_type(tolerance_type), document.tolerances or {}, source, (*key_path, "tolerances")
    )
    tolerances: list[tuple[Axis, Distribution]] = []
    row_names = [joint.name for joint in rows]
    for number, name in enumerate(row_names):
        row = kinematics.joints[number].tolerances if isinstance(kinematics, DHKinematics) else None
        for field in declared_fields(tolerance_type):
            entry = getattr(row, field.name, None) or getattr(shared_tolerances, field.name)
            if entry is not None and entry.spread.nonzero:
                tolerances.append((Axis(name, field.name, Role.LINK), entry.spread))
    for name in document.masses.links if document.masses is not None else ():
        if name not in row_names:
            raise source.error((*key_path, "masses", "links", name), "the arm has no such joint", ", ".join(row_names))
    chain_owners = dict.fromkeys(axis.owner for motion in chain for axis in motion.axes)  # fixed joints too
    for name in (*chain_owners, *document.groups):
        if name in RESERVED_NAMES:
            name_path = (*key_path, "groups" if name in document.groups else "kinematics")
            accepted = f"a name other than {', '.join(RESERVED_NAMES)}"
            raise source.error(name_path, f"the name {name!r} is taken", accepted)
    motions = (
        *fixed_transforms(kinematics.base.xyz, kinematics.base.rpy),
        *chain,
        *fixed_transforms(kinematics.tool.xyz, kinematics.tool.rpy, TOOL),
    )
    groups = {name: tuple(members) for name, members in document.groups.items()}
    arm, identification = Arm(document.name, joints, motions, groups, couplings), None
    if document.identified is not None:
        identification = build_identification(document.identified, arm, source, (*key_path, "identified"))
    return ArmParts(arm, tuple(tolerances), _masses(document, urdf_masses), identification)


def _toolbox_kinematics(
    kinematics: ToolboxKinematics, source: Source, key_path: KeyPath
) -> tuple[DHKinematics | URDFKinematics, dict[str, Mass]]:
    """Rows and masses of a model by name, with the base and the tool of the document where it states them."""
    arm = toolbox_arm(kinematics.toolbox, source, (*key_path, "toolbox"))
    rows: DHKinematics = validate(DHKinematics, arm.kinematics, source, key_path)
    frames = {key: frame for key in ("base", "tool") if (frame := getattr(kinematics, key)) is not None}
    return rows.model_copy(update=frames), arm.masses


def _masses(document: ArmDocument, urdf_masses: dict[str, Mass]) -> Masses | None:
    """Masses of the document; they replace those of the URDF file joint by joint."""
    if document.masses is None:
        return Masses(urdf_masses) if urdf_masses else None
    links = {name: _mass(link) for name, link in document.masses.links.items()}
    payload = document.masses.payload
    return Masses({**urdf_masses, **links}, None if payload is None else _payload(payload))


def _check_ranges(
    kinematics: DHKinematics, rules: Mapping[str, FollowerRule], source: Source, key_path: KeyPath
) -> None:
    """Check that slides with a drive state a range, and that followers do not."""
    for number, row in enumerate(kinematics.joints):
        path = (*key_path, "joints", number, "range")
        if row.name in rules and row.range is not None:
            raise source.error(
                path, f"range of {row.name!r}, which follows others", "ranges of the joints that it follows"
            )
        if row.name not in rules and row.range is None and isinstance(row, PrismaticRow):
            raise source.error(path, "missing", "[lower end, upper end] of a prismatic joint")


def _payload(document: Any) -> Payload:
    mass, tolerances = _mass(document), (document.mass_tolerance, document.centre_tolerance)
    return Payload(mass.mass, mass.centre, *(NONE if entry is None else entry.spread for entry in tolerances))


def _mass(document: Any) -> Mass:
    return Mass(document.mass) if document.centre is None else Mass(document.mass, document.centre)


def _rows(
    kinematics: DHKinematics, source: Source, key_path: KeyPath
) -> tuple[tuple[ArmJoint, ...], list[ElementaryTransform]]:
    joints: list[ArmJoint] = []
    chain: list[ElementaryTransform] = []
    for number, row in enumerate(kinematics.joints):
        row_path = (*key_path, "joints", number)
        if row.name in [joint.name for joint in joints]:
            raise source.error((*row_path, "name"), f"two joints named {row.name!r}", "each name once")
        lower, upper = row.range if row.range is not None else (-math.inf, math.inf)
        if lower >= upper:
            raise source.error((*row_path, "range"), "lower end not below the upper end", "[lower end, upper end]")
        revolute = isinstance(row, RevoluteRow)
        theta, d = (row.offset, row.d) if isinstance(row, RevoluteRow) else (row.theta, row.offset)
        joints.append(ArmJoint(row.name, revolute, lower, upper))
        modified = kinematics.convention == "modified-dh"
        chain += denavit_hartenberg(number, row.name, revolute, theta, d, row.a, row.alpha, modified)
    return tuple(joints), chain
