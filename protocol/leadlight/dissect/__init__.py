"""Datagrams and captures taken apart for people, every field with its meaning."""

from leadlight.dissect.capture import CaptureReader
from leadlight.dissect.datagram import Dissector, Reading, Row, group_of, kind_of
from leadlight.dissect.packets import Datagram, PassedOver, datagram_in
from leadlight.dissect.summary import FOLLOWER_HEADER, LEADER_HEADER, NOTHING, CaptureSummary, counted, message_in_words
