"""The information model of a site as a NodeSet2 file: the types, and this site's instances."""

from __future__ import annotations

from asyncua.ua.object_ids import ObjectIds

from edgeflash.config.site import OpcUaServer, Site
from edgeflash.outlets.nodeset import Model, nodeset
from edgeflash.outlets.opcua_members import ModelNode, Space
from edgeflash.outlets.opcua_model import Served, model_nodes
from edgeflash.outlets.opcua_types import BASE_DATE, BASE_VERSION, MODEL_DATE, MODEL_VERSION

BASE = Model(Space.STANDARD, BASE_VERSION, BASE_DATE)
TYPES = Model(Space.TYPES, MODEL_VERSION, MODEL_DATE, (BASE,))
# It needs TYPES as well, which comes with it: importers look for what is required before they load
# a file, and would not find it.
POINTS = Model(Space.POINTS, MODEL_VERSION, MODEL_DATE)


def site_nodeset(site: Site) -> str:
    """The file's text; as the site's OPC UA server has it, or as one with defaults would."""
    return of_nodes(model_nodes(Served.of(site, site.file.opcua or OpcUaServer())))


def of_nodes(nodes: list[ModelNode]) -> str:
    """The file's text for these nodes."""
    return nodeset(nodes, (TYPES, POINTS), vars(ObjectIds))
