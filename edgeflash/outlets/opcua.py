"""The OPC UA outlet: every point of every analyzer as a read-only node, and the inputs.

A node is written only when its value, its status or its source time changed. The source time of
some points is merely "now" (age, heartbeat, counts, link state); for those a moved source time
alone is no change, and the node keeps the time since which its value has been what it is.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import structlog
from asyncua import ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.config.hosts import WILDCARDS
from edgeflash.config.site import Analyzer, OpcUaServer
from edgeflash.inputs import InputStore
from edgeflash.operations import Operations
from edgeflash.outlets.history_rows import HISTORIC
from edgeflash.outlets.listening import OutletError, bind_host, cannot_listen
from edgeflash.outlets.logins import LoginFailed
from edgeflash.outlets.opcua_bounds import BoundedServer, WhoOf
from edgeflash.outlets.opcua_diagnostics import GatewayFacts
from edgeflash.outlets.opcua_events import OpcUaEvents
from edgeflash.outlets.opcua_history import PointHistory, Source, historic_nodes
from edgeflash.outlets.opcua_history_nodes import add_history
from edgeflash.outlets.opcua_identity import who_of
from edgeflash.outlets.opcua_inputs import OpcUaInputs
from edgeflash.outlets.opcua_live import OpcUaLive
from edgeflash.outlets.opcua_model import Served, model_nodes
from edgeflash.outlets.opcua_names import NAMESPACE_URI
from edgeflash.outlets.opcua_nodes import NodeIds, build_nodes, data_value
from edgeflash.outlets.opcua_security import ServerSecurity
from edgeflash.outlets.opcua_settings import InForce
from edgeflash.outlets.opcua_watch import SecurityWatch
from edgeflash.outlets.values import OutletUnits, Shown, shown
from edgeflash.points import CATALOGUE, Point
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK
from edgeflash.service.machine import application_uri
from edgeflash.trust import Quality, Trust

PATH = "edgeflash"
STOP_TIMEOUT_S = 2.0
CYCLE_MARK = "cycle_number"
WRITING_ORDER: tuple[Point, ...] = tuple(sorted(CATALOGUE, key=lambda p: p.name == CYCLE_MARK))
"""The catalogue's order with the cycle number last: who sees a new number sees its cycle."""

_POINTS = {point.name: point for point in CATALOGUE}
_log = structlog.get_logger(__name__)


class OpcUaOutlet:
    """Serves all analyzers' points and the inputs, to whom the site's security lets in.

    Where the site file accepts inputs, operators can write them over a secured endpoint, and
    whoever can reach the port over the open one: predictions, and the product's number, which
    chooses the limit in force. mono_s: the clock of their ages. state_dir: where keys and users
    are; without it only the open endpoint can be. on_login_failed: see logins.
    in_force: the configuration that is shown beside the points. facts: of the gateway, now.
    operations: what the methods ask for; without, they cannot be called. who_of: tells who calls.
    history: where HistoryRead reads; None: there is none to read.
    start raises OutletError or StorageError when it cannot listen, or has no keys.
    """

    def __init__(
        self,
        server: OpcUaServer,
        analyzers: Sequence[Analyzer],
        site_name: str,
        inputs: InputStore | None = None,
        mono_s: Callable[[], float] = SYSTEM_CLOCK.mono_s,
        in_force: InForce | None = None,
        facts: Callable[[], GatewayFacts] = GatewayFacts,
        operations: Operations | None = None,
        history: Source | None = None,
        who_of: WhoOf = who_of,
        *,
        state_dir: Path | None = None,
        on_login_failed: LoginFailed | None = None,
    ) -> None:
        self._config = server
        self._history = history
        self._analyzers = tuple(analyzers)
        self._site_name = site_name
        self._units = OutletUnits(server.temperature_unit, server.pressure_unit)
        self._store = inputs if inputs is not None and inputs.declared else None
        self._mono_s = mono_s
        self._operations = operations
        self._who_of = who_of
        self._events: OpcUaEvents | None = None
        self._in_force = in_force or InForce(site_name)
        self._facts = facts
        uri = application_uri(site_name)
        self._security = ServerSecurity(server, state_dir, uri, on_login_failed)
        self.watch = SecurityWatch(self._security)
        self._watching: asyncio.Task[None] | None = None
        self._inputs: OpcUaInputs | None = None
        self._live: OpcUaLive | None = None
        self._server: BoundedServer | None = None
        self._nodes: NodeIds = {}
        self._written: dict[tuple[str, str], Shown] = {}

    @property
    def endpoint(self) -> str:
        """The endpoint's URL, with the actual port once started."""
        port = self._config.port
        if self._server is not None and self._server.bserver is not None:
            port = self._server.bserver.port
        return _url(self._config.host, port)

    async def start(self) -> None:
        """Builds the address space, every point waiting for its first data, and listens."""
        host, port = self._config.host, self._config.port
        address = await bind_host(host, port)
        try:
            # Before the costly part: a start that must fail is tried again every few seconds.
            await _try_to_listen(address, port)
            server = await asyncio.to_thread(self._built, address, port)
            await server.start()
        except OSError as error:
            raise cannot_listen("OPC UA outlet", host, port, error) from error
        self._server = server
        self._written = {}
        _advertise_port(server, _advertised(host))
        accepts, is_open = self._config.accept_inputs, self._config.allow_open_endpoint
        _log.info(
            "opcua_listening", endpoint=self.endpoint, accepts_inputs=accepts, open_endpoint=is_open
        )
        self._watching = asyncio.create_task(self.watch.run(server), name="opcua security")

    def _built(self, address: str, port: int) -> BoundedServer:
        """A server with its address space, not yet listening.

        Loading the standard address space takes seconds of computing without a pause. So it runs
        in a thread, in a loop of its own, which nothing of the server is bound to afterwards.
        """

        async def build() -> BoundedServer:
            self._security.load()
            server = BoundedServer(address, port, self._security, self._who_of)
            await server.init()
            await _introduce(server, self._site_name)
            built = await build_nodes(server, model_nodes(self._served()))
            self._nodes = built.points
            self._live = OpcUaLive(server, built, self._facts, self._mono_s)
            await self._add_history(server)
            if self._store is not None:
                self._inputs = OpcUaInputs(self._store, self._config.accept_inputs, self._mono_s)
                server.takers.update(await self._inputs.attach(server))
            self._events = OpcUaEvents(
                self._analyzers, self._units, self._operations, self._in_force.parts
            )
            await self._events.build(server)
            server.set_endpoint(_url(_advertised(self._config.host), port))
            return server

        return asyncio.run(build())

    async def _add_history(self, server: BoundedServer) -> None:
        """Makes the history of the points readable, where there is one."""
        if self._history is None:
            return
        nodes = historic_nodes(self._nodes, HISTORIC)
        await add_history(server, await server.get_namespace_index(NAMESPACE_URI), nodes)
        inner = server.iserver
        inner.history_manager = PointHistory(inner, nodes, self._history, self._units, self._mono_s)

    def _served(self) -> Served:
        inputs = self._store.declared if self._store is not None else ()
        return Served(
            self._analyzers,
            self._units,
            self._in_force,
            inputs,
            self._config.accept_inputs,
            self._operations is not None,
        )

    async def publish(self, views: Sequence[View]) -> None:
        """Writes what changed since the last publish. Analyzers without a view keep their values.

        Raises OutletError when the outlet is not started.
        """
        if self._server is None:
            raise OutletError("the OPC UA outlet was asked to publish before its start")
        for view in views:
            for point in WRITING_ORDER:
                await self._write(view.standing.analyzer, point, shown(point, view, self._units))
            if self._events is not None:
                await self._events.publish(view)
            # The library's writes never wait: without this, many analyzers with many subscribers
            # would hold up the links and the other outlets. One analyzer's points go together.
            await asyncio.sleep(0)
        if self._inputs is not None:
            await self._inputs.publish()
        if self._live is not None:
            await self._live.publish({view.standing.analyzer: view for view in views})

    async def _write(self, analyzer: str, point: Point, value: Shown) -> None:
        key = (analyzer, point.name)
        node = self._nodes.get(key)
        before = self._written.get(key)
        if self._server is None or node is None or (before and not _changed(before, value)):
            return
        now = datetime.now(UTC)
        await self._server.write_attribute_value(node, data_value(point, value, now))
        if self._live is not None:
            await self._live.follow(analyzer, point, value, now)
        self._written[key] = value

    async def stop(self) -> None:
        """Marks every value out of service, tells the subscribers, and stops within 2 s."""
        server = self._server
        if server is None:
            return
        if self._watching is not None:
            self._watching.cancel()
            await asyncio.wait((self._watching,))
            self._watching = None
        for step in (partial(self._take_leave, server), server.stop):
            try:
                async with asyncio.timeout(STOP_TIMEOUT_S / 2):
                    await step()
            except TimeoutError:
                _log.warning("opcua_stop_timed_out", after_s=STOP_TIMEOUT_S / 2)

    async def _take_leave(self, server: BoundedServer) -> None:
        """Tells the clients. What goes wrong here must not keep the port from being given back."""
        now = datetime.now(UTC)
        try:
            for (analyzer, name), value in list(self._written.items()):
                if value.quality.trust is not Trust.BAD:
                    gone = replace(
                        value, value=None, quality=Quality.OUT_OF_SERVICE, source_time=now
                    )
                    await self._write(analyzer, _POINTS[name], gone)
            await _say_shutdown(server, self._events)
        except Exception:
            _log.exception("opcua_clients_not_told_of_the_end")
        finally:
            self._server = None


def _changed(before: Shown, now: Shown) -> bool:
    """True when a node has to be written again."""
    if before.value != now.value or before.quality is not now.quality:
        return True
    return not now.of_now and before.source_time != now.source_time


async def _try_to_listen(address: str, port: int) -> None:
    """Raises OSError when the system would refuse to listen there."""
    loop = asyncio.get_running_loop()
    (await loop.create_server(asyncio.Protocol, address, port)).close()


def _url(host: str, port: int) -> str:
    return f"opc.tcp://{f'[{host}]' if ':' in host else host}:{port}/{PATH}"


def _advertised(host: str) -> str:
    """The host clients are told: this machine's name where the server listens everywhere."""
    return socket.gethostname() if host in WILDCARDS else host


async def _introduce(server: BoundedServer, site_name: str) -> None:
    """Sets the names a client sees. The application URI tells sites and machines apart."""
    server.set_server_name(f"edgeflash {site_name}")
    server.application_type = ua.ApplicationType.Server
    server.product_uri = "urn:edgeflash"
    await server.set_application_uri(application_uri(site_name))
    await server.set_build_info(
        "urn:edgeflash", "edgeflash", "edgeflash", "", "", datetime.now(UTC)
    )


def _advertise_port(server: BoundedServer, host: str) -> None:
    """Puts the port the system gave (for port 0) into what discovery tells."""
    if server.bserver is None:
        return
    url = _url(host, server.bserver.port)
    for description in server.iserver.endpoints:
        description.EndpointUrl = url
        description.Server.DiscoveryUrls = [url]


async def _say_shutdown(server: BoundedServer, events: OpcUaEvents | None) -> None:
    """Sets the server's state to shutdown and sends every subscriber what is waiting for it."""
    if events is not None:
        events.say_state(ua.ServerState.Shutdown)
    state = server.get_node(ObjectIds.Server_ServerStatus_State)
    await state.write_value(ua.ServerState.Shutdown, ua.VariantType.Int32)
    for subscription in list(server.iserver.subscription_service.subscriptions.values()):
        await subscription.publish_results()
