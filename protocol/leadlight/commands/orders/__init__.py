"""Orders to a running leader: how they are worded, the ways by which they reach it, and how they are answered."""

from leadlight.commands.orders.desk import OrderDesk
from leadlight.commands.orders.local_socket import OrderSocket, ask, sockets_here
from leadlight.commands.orders.source import OrderSource, TakeOrder
from leadlight.commands.orders.typed import TypedOrders, typed_here
from leadlight.commands.orders.words import ORDERS, POSITION_MEANS, request_of
