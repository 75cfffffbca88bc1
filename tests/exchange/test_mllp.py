"""MLLP and acknowledgements. HL7 v2.5.1, chapter 2; "MLLP, Release 1"; tables 0008, 0155 and 0357."""

from __future__ import annotations

import asyncio

import hl7
import pytest

from fhirdrain.exchange.mllp import Fault, Limits, Listener, Reply, acknowledge, acknowledgements

MESSAGE = (
    b"MSH|^~\\&|app|fac|to|there|20250110120000+0100||ORU^R01^ORU_R01|m-1|P|2.6\r"
    b"PID|||p-1\rOBX|1|NM|lvl||100\r"
)
YES = Reply("accept")
NO = Reply("error", [Fault("103", "OBX[2]-3", "not in the site file | really")])


def parsed(answer: bytes) -> hl7.Message:
    return hl7.parse(answer.decode())


def test_an_acknowledgement_turns_sender_and_receiver_round_and_echoes_the_id():
    answer = parsed(acknowledge(MESSAGE, YES))
    header, told = answer.segment("MSH"), answer.segment("MSA")
    assert [str(header[n]) for n in (3, 4, 5, 6)] == ["to", "there", "app", "fac"]
    assert str(header[9]) == "ACK^R01^ACK"
    assert (str(header[11]), str(header[12])) == ("P", "2.6")
    assert (str(told[1]), str(told[2])) == ("AA", "m-1")
    assert str(header[10]) != "m-1"


def test_the_reason_stands_in_the_segment_that_the_standard_has_for_it():
    answer = parsed(acknowledge(MESSAGE, NO))
    assert str(answer.segment("MSA")[1]) == "AE"
    fault = answer.segment("ERR")
    assert str(fault[2]) == "OBX^2^3"
    assert str(fault[3]) == "103^Table value not found^HL70357"
    assert str(fault[4]) == "E"
    assert str(fault[8]) == "not in the site file \\F\\ really"


@pytest.mark.parametrize(
    ("asked", "reply", "codes"),
    [
        ("", YES, ["AA"]),
        ("", NO, ["AE"]),
        ("", Reply("reject"), ["AR"]),
        ("|||AL", YES, ["CA"]),
        ("|||AL|NE", NO, ["CE"]),
        ("|||AL|AL", YES, ["CA", "AA"]),
        ("|||NE|AL", YES, ["AA"]),
        ("|||NE|NE", YES, []),
        ("|||ER|ER", YES, []),
        ("|||ER|ER", Reply("reject"), ["CR", "AR"]),
        ("|||SU|SU", YES, ["CA", "AA"]),
        ("|||SU", NO, []),
    ],
)
def test_original_and_enhanced_mode(asked, reply, codes):
    message = MESSAGE.replace(b"|2.6\r", b"|2.6" + asked.encode() + b"\r")
    told = [str(parsed(a).segment("MSA")[1]) for a in acknowledgements(message, reply)]
    assert told == codes


def test_what_is_no_message_is_answered_all_the_same():
    (answer,) = acknowledgements(b"hello", Reply("reject", [Fault("100", "MSH", "no header")]))
    assert [str(parsed(answer).segment("MSA")[n]) for n in (1, 2)] == ["AR", ""]


def test_other_separators_of_the_sender_are_written_as_ours():
    odd = MESSAGE.replace(b"|", b"$").replace(b"^", b"*").replace(b"to", b"t|o")
    answer = parsed(acknowledge(odd, YES))
    assert str(answer.segment("MSH")[3]) == "t\\F\\o"
    assert str(answer.segment("MSA")[2]) == "m-1"


# -- the wire -------------------------------------------------------------------------------


class Desk:
    def __init__(self, wait: float = 0.0) -> None:
        self.taken: list[bytes] = []
        self.wait = wait

    async def take(self, data: bytes) -> Reply:
        await asyncio.sleep(self.wait)
        self.taken.append(data)
        return YES


def talk(script, desk: Desk | None = None, limits: Limits | None = None):
    """Run a script against a listener; returns what it returns, and what was taken."""
    desk = desk or Desk()

    async def run():
        listener = Listener(desk.take, limits or Limits())
        port = await listener.start("127.0.0.1", 0)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        try:
            return await asyncio.wait_for(script(reader, writer, listener), 20)
        finally:
            writer.close()
            await listener.stop()

    return asyncio.run(run()), desk.taken


FRAME = b"\x0b" + MESSAGE + b"\x1c\r"


async def answer_to(reader) -> bytes:
    return (await reader.readuntil(b"\x1c\r"))[1:-2]


def test_frames_in_pieces_together_and_with_noise_between():
    async def script(reader, writer, listener):
        for piece in (b"noise\r\n" + FRAME[:40], FRAME[40:] + FRAME, b"\r\n" + FRAME):
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(0.01)
        return [await answer_to(reader) for _ in range(3)]

    answers, taken = talk(script)
    assert taken == [MESSAGE] * 3
    assert all(b"MSA|AA|m-1" in a for a in answers)


def test_a_message_that_is_too_large_is_rejected_and_the_line_closed():
    async def script(reader, writer, listener):
        writer.write(b"\x0b" + b"x" * 5000 + b"\x1c\r")
        answer = await answer_to(reader)
        return answer, await reader.read()

    (answer, rest), taken = talk(script, limits=Limits(most_bytes=1000))
    assert b"MSA|AR|" in answer
    assert (rest, taken) == (b"", [])


def test_half_a_message_is_no_message():
    async def script(reader, writer, listener):
        writer.write(FRAME[:-20])
        writer.write_eof()
        return await reader.read()

    assert talk(script) == (b"", [])


def test_a_frame_that_begins_within_another_is_the_message_and_the_cut_one_none():
    async def script(reader, writer, listener):
        writer.write(FRAME[:-20] + FRAME)
        return await answer_to(reader)

    answer, taken = talk(script)
    assert b"MSA|AA|m-1" in answer
    assert taken == [MESSAGE]


def test_a_peer_that_reads_no_answer_does_not_hold_up_the_end():
    async def script(reader, writer, listener):
        writer.write(FRAME)
        await writer.drain()
        await asyncio.sleep(0.1)
        begin = asyncio.get_running_loop().time()
        await listener.stop()
        return asyncio.get_running_loop().time() - begin

    class Much(Desk):
        async def take(self, data: bytes) -> Reply:
            return Reply("error", [Fault("102", "OBX[1]-5", "x" * 1000)] * 20_000)

    waited, _ = talk(script, Much(), Limits(answer=0.5))
    assert waited < 5


def test_an_unknown_character_set_is_answered_with_the_id_of_the_message():
    odd = MESSAGE.replace(b"|2.6\r", b"|2.6||||||KLINGON\r")
    (answer,) = acknowledgements(odd, Reply("reject"))
    assert str(parsed(answer).segment("MSA")[2]) == "m-1"


def test_a_message_that_does_not_end_in_time_is_dropped():
    async def script(reader, writer, listener):
        writer.write(FRAME[:-20])
        return await reader.read()

    assert talk(script, limits=Limits(frame=0.2)) == (b"", [])


def test_a_silent_line_is_closed():
    async def script(reader, writer, listener):
        return await reader.read()

    assert talk(script, limits=Limits(idle=0.2)) == (b"", [])


def test_so_many_connections_and_no_more():
    async def script(reader, writer, listener):
        await asyncio.sleep(0.05)
        port = listener._server.sockets[0].getsockname()[1]
        other, out = await asyncio.open_connection("127.0.0.1", port)
        out.write(FRAME)
        try:
            return await other.read()
        except ConnectionError:
            return b""
        finally:
            out.close()

    assert talk(script, limits=Limits(connections=1)) == (b"", [])


def test_what_is_being_answered_is_answered_before_the_end():
    async def script(reader, writer, listener):
        writer.write(FRAME)
        await writer.drain()
        await asyncio.sleep(0.1)
        await listener.stop()
        return await answer_to(reader)

    answer, taken = talk(script, Desk(wait=0.3))
    assert b"MSA|AA|m-1" in answer
    assert taken == [MESSAGE]
