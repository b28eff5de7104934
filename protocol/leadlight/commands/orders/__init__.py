"""Orders to a running leader: how they are worded, the ways by which they reach it, and how they are answered."""

from leadlight.commands.orders.desk import OrderDesk
from leadlight.commands.orders.local_socket import OrderSocket, ask, sockets_here
from leadlight.commands.orders.source import NoOrders, OrderSource, TakeOrder
from leadlight.commands.orders.typed import TypedOrders, typed_here
from leadlight.commands.orders.words import ORDERS, POSITION_MEANS, request_of

__all__ = [
    "ORDERS",
    "POSITION_MEANS",
    "NoOrders",
    "OrderDesk",
    "OrderSocket",
    "OrderSource",
    "TakeOrder",
    "TypedOrders",
    "ask",
    "request_of",
    "sockets_here",
    "typed_here",
]
