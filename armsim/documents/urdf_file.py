"""A URDF file: its elements, the tree of its joints, and errors with line and column.

References
----------
.. [1] URDF XML specification, elements robot, link, joint.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element


@dataclass(frozen=True, eq=False)
class UrdfFile:
    """A URDF file as it was read.

    Parameters
    ----------
    path : Path
    text : str
    root : Element
        The element robot.
    joint_by_child : dict of link to joint
        Joint above every link but the roots.
    """

    path: Path
    text: str
    root: Element
    joint_by_child: dict[str, Element]

    @property
    def links(self) -> list[str]:
        """Names of the links, in the order of the file."""
        return [link.get("name", "") for link in self.root.findall("link")]

    def chain(self, tip: str, base: str | None = None) -> tuple[str, list[Element]]:
        """Joints above a link, up to another or to a root.

        Parameters
        ----------
        tip : str
        base : str, optional

        Returns
        -------
        link : str
            Where the chain begins; not the base where that is not above the tip.
        joints : list of Element
            Base first.
        """
        joints: list[Element] = []
        link = tip
        while link != base and link in self.joint_by_child and len(joints) <= len(self.joint_by_child):
            joints.append(self.joint_by_child[link])
            link = link_name(self.joint_by_child[link], "parent")
        return link, joints[::-1]

    def fault(self, finding: str, accepted: str, name: str = "") -> InputError:
        """Error at the element of a name; at the first line where there is none."""
        return _fault(self.path, self.text, finding, accepted, name)


def read_urdf(path: Path, raw: bytes) -> UrdfFile:
    """Parse a URDF file, by a parser that refuses entities and outside references.

    Parameters
    ----------
    path : Path
    raw : bytes
        Content of the file.

    Returns
    -------
    UrdfFile

    Raises
    ------
    InputError
        Not URDF, or a link with two parents.
    """
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import ParseError, fromstring

    try:
        text = raw.decode("utf-8-sig")
        root: Element = fromstring(text.encode(), forbid_dtd=True)
    except UnicodeDecodeError as error:
        raise _fault(path, "", f"byte {error.start} is not UTF-8", "XML in UTF-8") from error
    except ParseError as error:
        line, column = error.position
        raise InputError(Problem(str(path), line, column + 1, "", f"not XML: {error}", "a URDF file")) from error
    except DefusedXmlException as error:
        finding = f"refused: {type(error).__name__}"
        raise _fault(path, text, finding, "XML without document type, entities or references") from error
    except (ValueError, LookupError) as error:  # an encoding that the parser does not know
        raise _fault(path, text, f"not XML: {error}", "XML in UTF-8") from error
    joint_by_child: dict[str, Element] = {}
    robot = UrdfFile(path, text, root, joint_by_child)
    if root.tag != "robot":
        raise robot.fault(f"root element {root.tag!r}", "'robot'")
    for joint in root.findall("joint"):
        child = link_name(joint, "child")
        if child in joint_by_child:
            raise robot.fault(f"link {child!r} has two parents", "a tree of links", joint.get("name", ""))
        joint_by_child[child] = joint
    return robot


def link_name(joint: Element, tag: str) -> str:
    """Name of the parent or the child link of a joint; empty where it names none."""
    element = joint.find(tag)
    return element.get("link", "") if element is not None else ""


def _fault(path: Path, text: str, finding: str, accepted: str, name: str = "") -> InputError:
    line, column = _location(text, name)
    return InputError(Problem(str(path), line, column, "", finding, accepted))


def _location(text: str, name: str) -> tuple[int, int]:
    """Line and column of the element with a given name; the first line if there is none."""
    match = re.search(rf"""<\w+\s[^<>]*?name\s*=\s*["']{re.escape(name)}["']""", text) if name else None
    if match is None:
        return 1, 1
    preceding_text = text[: match.start()]
    return preceding_text.count("\n") + 1, len(preceding_text) - preceding_text.rfind("\n")
