#!/usr/bin/python3
"""Writes reference.txt: frames, sentences and checksums as independent libraries make them.

Debian packages python3-pymodbus, python3-nmea2, python3-crcmod. Run it again if one of them
changes: ./make_reference.py > reference.txt; with --check it says whether that would change it.
One fact a line: WHAT, name or description, hexadecimal bytes.
"""
import pathlib
import sys

import crcmod.predefined
import pynmea2 as nmea2
from pymodbus.factory import ClientDecoder
from pymodbus.register_read_message import (
    ReadHoldingRegistersRequest, ReadHoldingRegistersResponse,
    ReadInputRegistersRequest, ReadInputRegistersResponse)
from pymodbus.register_write_message import (
    WriteMultipleRegistersRequest, WriteMultipleRegistersResponse,
    WriteSingleRegisterRequest, WriteSingleRegisterResponse)
from pymodbus.bit_read_message import ReadCoilsRequest, ReadCoilsResponse
from pymodbus.bit_write_message import WriteSingleCoilRequest, WriteSingleCoilResponse
from pymodbus.pdu import ExceptionResponse
from pymodbus.transaction import ModbusAsciiFramer, ModbusRtuFramer

FACTS = []

PAIRS = [
    ("read holding registers", ReadHoldingRegistersRequest(0x10, 3, unit=17),
     ReadHoldingRegistersResponse([1, 2, 0xABCD])),
    ("read input registers", ReadInputRegistersRequest(0, 1, unit=17),
     ReadInputRegistersResponse([0x0102])),
    ("read coils", ReadCoilsRequest(5, 12, unit=17), ReadCoilsResponse([True] * 12)),
    ("write single coil", WriteSingleCoilRequest(3, True, unit=17),
     WriteSingleCoilResponse(3, True)),
    ("write single register", WriteSingleRegisterRequest(7, 0x1234, unit=17),
     WriteSingleRegisterResponse(7, 0x1234)),
    ("write multiple registers", WriteMultipleRegistersRequest(8, [5, 6, 7], unit=17),
     WriteMultipleRegistersResponse(8, 3)),
    ("read holding registers exception", ReadHoldingRegistersRequest(0x7000, 3, unit=17),
     ExceptionResponse(3, 2)),
]
for what, framer in (("rtu", ModbusRtuFramer(ClientDecoder())),
                     ("ascii", ModbusAsciiFramer(ClientDecoder()))):
    for name, request, response in PAIRS:
        request.unit_id = response.unit_id = 17
        FACTS.append(f"{what}-request\t{name}\t{framer.buildPacket(request).hex()}")
        FACTS.append(f"{what}-response\t{name}\t{framer.buildPacket(response).hex()}")

SENTENCES = [
    nmea2.GGA("GP", "GGA", ("184353.07", "1929.045", "S", "02410.506", "E", "1", "04", "2.6",
                            "100.00", "M", "-33.9", "M", "", "0000")),
    nmea2.RMC("GN", "RMC", ("120000", "A", "5112.3456", "N", "00012.3456", "W", "0.1", "90.0",
                            "251126", "", "")),
    nmea2.GSV("GP", "GSV", ("1", "1", "01", "05", "40", "083", "46")),
]
for sentence in SENTENCES:
    text = sentence.render(checksum=True, dollar=True, newline=True)
    FACTS.append(f"nmea\t{sentence.sentence_type} from {sentence.talker}\t{text.encode().hex()}")

# Catalogue name -> crcmod's.
CRCS = {
    "CRC-8/SMBUS": "crc-8", "CRC-8/DARC": "crc-8-darc", "CRC-8/I-CODE": "crc-8-i-code",
    "CRC-8/I-432-1": "crc-8-itu", "CRC-8/MAXIM-DOW": "crc-8-maxim", "CRC-8/ROHC": "crc-8-rohc",
    "CRC-8/WCDMA": "crc-8-wcdma", "CRC-16/ARC": "crc-16", "CRC-16/UMTS": "crc-16-buypass",
    "CRC-16/DDS-110": "crc-16-dds-110", "CRC-16/DECT-X": None, "CRC-16/DNP": "crc-16-dnp",
    "CRC-16/EN-13757": "crc-16-en-13757", "CRC-16/GENIBUS": "crc-16-genibus",
    "CRC-16/MAXIM-DOW": "crc-16-maxim", "CRC-16/MCRF4XX": "crc-16-mcrf4xx",
    "CRC-16/RIELLO": "crc-16-riello", "CRC-16/T10-DIF": "crc-16-t10-dif",
    "CRC-16/TELEDISK": "crc-16-teledisk", "CRC-16/USB": "crc-16-usb", "CRC-16/IBM-SDLC": "x-25",
    "CRC-16/XMODEM": "xmodem", "CRC-16/MODBUS": "modbus", "CRC-16/KERMIT": "kermit",
    "CRC-16/IBM-3740": "crc-ccitt-false", "CRC-16/SPI-FUJITSU": "crc-aug-ccitt",
    "CRC-24/OPENPGP": "crc-24", "CRC-32/ISO-HDLC": "crc-32", "CRC-32/BZIP2": "crc-32-bzip2",
    "CRC-32/ISCSI": "crc-32c", "CRC-32/BASE91-D": "crc-32d", "CRC-32/MPEG-2": "crc-32-mpeg",
    "CRC-32/CKSUM": "posix", "CRC-32/AIXM": "crc-32q", "CRC-32/JAMCRC": "jamcrc",
    "CRC-32/XFER": "xfer", "CRC-64/WE": "crc-64-we",
}
MESSAGE = b"\x00\xffSedge B 2.1\r\n\x80"
for name, theirs in CRCS.items():
    if theirs:
        crc = crcmod.predefined.Crc(theirs)
        crc.update(MESSAGE)
        FACTS.append(f"crc\t{name}\t{crc.digest().hex()}")

text = "".join(fact + "\n" for fact in FACTS)
if "--check" not in sys.argv:
    sys.stdout.write(text)
elif text != (pathlib.Path(__file__).parent / "reference.txt").read_text():
    sys.exit("reference.txt differs from what the libraries say: run make_reference.py again")
