"""Writes small PDX files of an invented car, in the words of ODX 2.2 (ASAM MCD-2 D)."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable
from pathlib import Path
from xml.sax.saxutils import escape

from gateway.profiles import parse_profile
from gateway.profiles.odx import OdxImport, read_odx

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<ODX MODEL-VERSION="2.2.0" '
HEAD += 'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">'

SUBSET = "CAN_TEST"
ID_PARTS = tuple(
    f"{side}{part}" for side in ("CP_CanPhysReq", "CP_CanRespUSDT") for part in ("Format", "Id", "ExtAddr")
)
NORMAL = "normal segmented 11-bit"


def coded(bits: int, kind: str = "A_UINT32", extra: str = "", mask: str = "") -> str:
    """A DIAG-CODED-TYPE of fixed length."""
    inner = f"<BIT-LENGTH>{bits}</BIT-LENGTH>" + (f"<BIT-MASK>{mask}</BIT-MASK>" if mask else "")
    return f'<DIAG-CODED-TYPE BASE-DATA-TYPE="{kind}" xsi:type="STANDARD-LENGTH-TYPE" {extra}>{inner}</DIAG-CODED-TYPE>'


def varying(low: int, high: int, kind: str = "A_BYTEFIELD") -> str:
    """A DIAG-CODED-TYPE whose length lies between two numbers of bytes."""
    inner = f"<MAX-LENGTH>{high}</MAX-LENGTH><MIN-LENGTH>{low}</MIN-LENGTH>"
    kinds = f'BASE-DATA-TYPE="{kind}" TERMINATION="END-OF-PDU" xsi:type="MIN-MAX-LENGTH-TYPE"'
    return f"<DIAG-CODED-TYPE {kinds}>{inner}</DIAG-CODED-TYPE>"


def compu(category: str, scales: str = "", default: str = "") -> str:
    """A COMPU-METHOD."""
    inner = f"<COMPU-INTERNAL-TO-PHYS><COMPU-SCALES>{scales}</COMPU-SCALES>{default}</COMPU-INTERNAL-TO-PHYS>"
    return f"<COMPU-METHOD><CATEGORY>{category}</CATEGORY>{inner if scales else ''}</COMPU-METHOD>"


def linear(offset: str, factor: str, divisor: str = "1", limits: str = "") -> str:
    """A LINEAR: (offset + factor * raw) / divisor."""
    top, below = f"<V>{offset}</V><V>{factor}</V>", f"<V>{divisor}</V>"
    coefficients = f"<COMPU-NUMERATOR>{top}</COMPU-NUMERATOR><COMPU-DENOMINATOR>{below}</COMPU-DENOMINATOR>"
    scale = f"{limits}<COMPU-RATIONAL-COEFFS>{coefficients}</COMPU-RATIONAL-COEFFS>"
    return compu("LINEAR", f"<COMPU-SCALE>{scale}</COMPU-SCALE>")


def named(*scales: tuple[str, str, str], default: str = "") -> str:
    """A TEXTTABLE of (lower limit, upper limit, text); an empty limit is not there."""
    made = "".join(
        "<COMPU-SCALE>"
        + (f"<LOWER-LIMIT>{low}</LOWER-LIMIT>" if low else "")
        + (f"<UPPER-LIMIT>{high}</UPPER-LIMIT>" if high else "")
        + f"<COMPU-CONST><VT>{text}</VT></COMPU-CONST></COMPU-SCALE>"
        for low, high, text in scales
    )
    return compu("TEXTTABLE", made, f"<COMPU-DEFAULT-VALUE><VT>{default}</VT></COMPU-DEFAULT-VALUE>" if default else "")


def dop(name: str, kind: str, method: str = compu("IDENTICAL"), physical: str = "A_UINT32", extra: str = "") -> str:
    """A DATA-OBJECT-PROP."""
    inner = f'{method}{kind}<PHYSICAL-TYPE BASE-DATA-TYPE="{physical}"/>{extra}'
    return f'<DATA-OBJECT-PROP ID="D.{name}"><SHORT-NAME>{name}</SHORT-NAME>{inner}</DATA-OBJECT-PROP>'


def structure(name: str, params: Iterable[str], size: int | None = None) -> str:
    """A STRUCTURE."""
    bytes_ = f"<BYTE-SIZE>{size}</BYTE-SIZE>" if size else ""
    inner = f"<SHORT-NAME>{name}</SHORT-NAME>{bytes_}<PARAMS>{''.join(params)}</PARAMS>"
    return f'<STRUCTURE ID="D.{name}">{inner}</STRUCTURE>'


def param(name: str, kind: str, inner: str, *, byte: int | None = None, bit: int | None = None, title: str = "") -> str:
    """A PARAM of any type."""
    long_name = f"<LONG-NAME>{title}</LONG-NAME>" if title else ""
    place = f"<BYTE-POSITION>{byte}</BYTE-POSITION>" if byte is not None else ""
    place += f"<BIT-POSITION>{bit}</BIT-POSITION>" if bit is not None else ""
    return f'<PARAM xsi:type="{kind}"><SHORT-NAME>{name}</SHORT-NAME>{long_name}{place}{inner}</PARAM>'


def value(name: str, of: str, *, byte: int | None = None, bit: int | None = None, title: str = "") -> str:
    """A PARAM whose value a data object property describes."""
    return param(name, "VALUE", f'<DOP-REF ID-REF="D.{of}"/>', byte=byte, bit=bit, title=title)


def const(name: str, number: int, bits: int = 8, byte: int | None = None) -> str:
    """A PARAM that is always the same number."""
    return param(name, "CODED-CONST", f"<CODED-VALUE>{number}</CODED-VALUE>{coded(bits)}", byte=byte)


def repeated(name: str, at: int, count: int) -> str:
    """A PARAM that repeats bytes of the request."""
    inner = f"<REQUEST-BYTE-POS>{at}</REQUEST-BYTE-POS><BYTE-LENGTH>{count}</BYTE-LENGTH>"
    return param(name, "MATCHING-REQUEST-PARAM", inner)


class Service:
    """One service: its request, its positive answers."""

    def __init__(self, name: str, request: Iterable[str], *answers: Iterable[str], title: str = "") -> None:
        self.name = name
        self.request = "".join(request)
        self.answers = ["".join(answer) for answer in answers]
        self.title = f"<LONG-NAME>{title}</LONG-NAME>" if title else ""

    def service(self) -> str:
        """The DIAG-SERVICE."""
        refs = "".join(f'<POS-RESPONSE-REF ID-REF="P.{self.name}.{at}"/>' for at in range(len(self.answers)))
        inner = f'<REQUEST-REF ID-REF="R.{self.name}"/><POS-RESPONSE-REFS>{refs}</POS-RESPONSE-REFS>'
        head = f"<SHORT-NAME>{self.name}</SHORT-NAME>{self.title}"
        return f'<DIAG-SERVICE ID="S.{self.name}">{head}{inner}</DIAG-SERVICE>'

    def requests(self) -> str:
        """The REQUEST."""
        inner = f"<SHORT-NAME>{self.name}</SHORT-NAME><PARAMS>{self.request}</PARAMS>"
        return f'<REQUEST ID="R.{self.name}">{inner}</REQUEST>'

    def responses(self) -> str:
        """The POS-RESPONSEs."""
        return "".join(
            f'<POS-RESPONSE ID="P.{self.name}.{at}"><SHORT-NAME>{self.name}_{at}</SHORT-NAME>'
            f"<PARAMS>{answer}</PARAMS></POS-RESPONSE>"
            for at, answer in enumerate(self.answers)
        )


def reading(name: str, identifier: int, *params: str, title: str = "") -> Service:
    """A service that reads one data identifier."""
    return Service(
        name,
        [const("sid", 0x22), const("id", identifier, 16)],
        [const("sid", 0x62), repeated("id", 1, 2), *params],
        title=title,
    )


def trouble_codes(name: str, bits: int, *codes: tuple[int, str], method: str = compu("IDENTICAL")) -> str:
    """A DTC-DOP of (number, text)."""
    made = "".join(
        f'<DTC ID="D.{name}.{at}"><SHORT-NAME>{name}_{at}</SHORT-NAME><TROUBLE-CODE>{number}</TROUBLE-CODE>'
        f"<TEXT>{escape(text)}</TEXT></DTC>"
        for at, (number, text) in enumerate(codes)
    )
    inner = f'{coded(bits)}<PHYSICAL-TYPE BASE-DATA-TYPE="A_UINT32"/>{method}<DTCS>{made}</DTCS>'
    return f'<DTC-DOP ID="D.{name}"><SHORT-NAME>{name}</SHORT-NAME>{inner}</DTC-DOP>'


def can_ids(*values: str, protocol: str = "can") -> str:
    """The communication parameter with a unit's CAN identifiers: format, number and address byte, both ways."""
    inner = "".join(f"<SIMPLE-VALUE>{item}</SIMPLE-VALUE>" for item in values)
    snref = f'<PROTOCOL-SNREF SHORT-NAME="{protocol}"/>'
    ref = f'ID-REF="{SUBSET}.Table" DOCREF="{SUBSET}" DOCTYPE="COMPARAM-SUBSET"'
    return f"<COMPARAM-REF {ref}><COMPLEX-VALUE>{inner}</COMPLEX-VALUE>{snref}</COMPARAM-REF>"


def normal(request: int, response: int, protocol: str = "can") -> str:
    """Normal addressing with identifiers of 11 bits."""
    return can_ids(NORMAL, str(request), "0", NORMAL, str(response), "0", protocol=protocol)


def layer(
    kind: str,
    name: str,
    *,
    title: str = "",
    comparams: str = "",
    dops: str = "",
    dtc_dops: str = "",
    structures: str = "",
    services: Iterable[Service] = (),
    extra_comms: str = "",
    parents: Iterable[tuple[str, str]] = (("PROTOCOL-REF", "can"),),
    tail: str = "",
) -> str:
    """A BASE-VARIANT or an ECU-VARIANT."""
    known = list(services)
    spec = f"<DTC-DOPS>{dtc_dops}</DTC-DOPS><DATA-OBJECT-PROPS>{dops}</DATA-OBJECT-PROPS>"
    spec += f"<STRUCTURES>{structures}</STRUCTURES>{tail}"
    refs = "".join(f'<PARENT-REF ID-REF="L.{of}" xsi:type="{ref}"/>' for ref, of in parents)
    return (
        f'<{kind} ID="L.{name}"><SHORT-NAME>{name}</SHORT-NAME>'
        + (f"<LONG-NAME>{title}</LONG-NAME>" if title else "")
        + f"<DIAG-DATA-DICTIONARY-SPEC>{spec}</DIAG-DATA-DICTIONARY-SPEC>"
        + f"<DIAG-COMMS>{''.join(item.service() for item in known)}{extra_comms}</DIAG-COMMS>"
        + f"<REQUESTS>{''.join(item.requests() for item in known)}</REQUESTS>"
        + f"<POS-RESPONSES>{''.join(item.responses() for item in known)}</POS-RESPONSES>"
        + f"<COMPARAM-REFS>{comparams}</COMPARAM-REFS><PARENT-REFS>{refs}</PARENT-REFS></{kind}>"
    )


def write_pdx(
    path: Path, base: Iterable[str], variants: Iterable[str] = (), protocols: Iterable[str] = ("can",)
) -> Path:
    """Write a PDX file with these layers."""
    spec = 'ID-REF="SPEC" DOCREF="SPEC" DOCTYPE="COMPARAM-SPEC"'
    protocol_layers = "".join(
        f'<PROTOCOL ID="L.{name}"><SHORT-NAME>{name}</SHORT-NAME><COMPARAM-SPEC-REF {spec}/></PROTOCOL>'
        for name in protocols
    )
    container = (
        f'{HEAD}<DIAG-LAYER-CONTAINER ID="CAR"><SHORT-NAME>car</SHORT-NAME>'
        f"<PROTOCOLS>{protocol_layers}</PROTOCOLS><BASE-VARIANTS>{''.join(base)}</BASE-VARIANTS>"
        f"<ECU-VARIANTS>{''.join(variants)}</ECU-VARIANTS></DIAG-LAYER-CONTAINER></ODX>"
    )
    usage = 'PARAM-CLASS="UNIQUE_ID" CPTYPE="STANDARD" CPUSAGE="ECU-COMM"'
    parts = "".join(
        f'<COMPARAM ID="{SUBSET}.{name}" {usage}><SHORT-NAME>{name}</SHORT-NAME>'
        f'<PHYSICAL-DEFAULT-VALUE>0</PHYSICAL-DEFAULT-VALUE><DATA-OBJECT-PROP-REF ID-REF="{SUBSET}.D"/></COMPARAM>'
        for name in ID_PARTS
    )
    data = dop("any", coded(32)).replace('ID="D.any"', f'ID="{SUBSET}.D"')
    subset = (
        f'{HEAD}<COMPARAM-SUBSET ID="{SUBSET}" CATEGORY="TRANSPORT"><SHORT-NAME>{SUBSET}</SHORT-NAME>'
        f'<COMPLEX-COMPARAMS><COMPLEX-COMPARAM ID="{SUBSET}.Table" {usage}>'
        f"<SHORT-NAME>CP_UniqueRespIdTable</SHORT-NAME>{parts}</COMPLEX-COMPARAM></COMPLEX-COMPARAMS>"
        f"<DATA-OBJECT-PROPS>{data}</DATA-OBJECT-PROPS></COMPARAM-SUBSET></ODX>"
    )
    specs = f'{HEAD}<COMPARAM-SPEC ID="SPEC"><SHORT-NAME>SPEC</SHORT-NAME></COMPARAM-SPEC></ODX>'
    names = ("car.odx-d", "subset.odx-cs", "spec.odx-c")
    files = "".join(f"<FILE>{name}</FILE>" for name in names)
    block = f"<ABLOCK><SHORT-NAME>data</SHORT-NAME><FILES>{files}</FILES></ABLOCK>"
    index = f"<CATALOG><SHORT-NAME>car</SHORT-NAME><ABLOCKS>{block}</ABLOCKS></CATALOG>"
    with zipfile.ZipFile(path, "w") as target:
        target.writestr("index.xml", index)
        for name, text in zip(names, (container, subset, specs), strict=True):
            target.writestr(name, text)
    return path


# --- an invented car with a brake control unit --------------------------------------------------

ADDRESS = "760/768"

# Every kind of field that a layout can hold, in one answer of 34 bytes behind 62 11 06.
DOPS = "".join(
    (
        dop("speed", coded(16), linear("0", "0.01"), "A_FLOAT64", '<UNIT-REF ID-REF="U.kmh"/>'),
        dop("warm", coded(16, "A_INT32", 'IS-HIGHLOW-BYTE-ORDER="false"'), linear("-400", "5", "10"), "A_FLOAT32"),
        dop(
            "gear", coded(3), named(("0", "", "neutral"), ("1", "1", "first"), ("2", "7", "other")), "A_UNICODE2STRING"
        ),
        dop("side", coded(11, "A_INT32", 'BASE-TYPE-ENCODING="2C"'), physical="A_INT32"),
        dop("low", coded(10, extra='IS-HIGHLOW-BYTE-ORDER="false"')),
        dop("force", coded(32, "A_FLOAT32"), physical="A_FLOAT32"),
        dop("work", coded(64, "A_FLOAT64", 'IS-HIGHLOW-BYTE-ORDER="false"'), physical="A_FLOAT64"),
        dop("mark", coded(32, "A_ASCIISTRING"), physical="A_UNICODE2STRING"),
        dop("raw", varying(3, 3), physical="A_BYTEFIELD"),
        dop("byte", coded(8)),
        structure("pair", [value("left", "byte"), value("right", "byte")], size=3),
    )
)
KMH = '<UNIT ID="U.kmh"><SHORT-NAME>kmh</SHORT-NAME><DISPLAY-NAME>km/h</DISPLAY-NAME></UNIT>'
EVERYTHING = reading(
    "everything",
    0x1106,
    value("speed", "speed", title="Road speed"),
    value("warm", "warm"),
    value("gear", "gear", byte=7, bit=5),
    param("fill", "RESERVED", "<BIT-LENGTH>5</BIT-LENGTH>", byte=7, bit=0),
    value("side", "side", byte=8, bit=2),
    value("low", "low", byte=10, bit=3),
    value("force", "force"),
    value("work", "work"),
    value("mark", "mark"),
    value("raw", "raw"),
    value("wheels", "pair"),
    value("last", "byte"),
    title="Everything at once",
)


def brakes(
    *services: Service,
    dops: str = DOPS,
    dtc_dops: str = "",
    comparams: str = normal(0x760, 0x768),
    extra: str = "",
    tail: str = "",
) -> str:
    """The brake control unit."""
    return layer(
        "BASE-VARIANT",
        "brakes",
        title="Brake control",
        comparams=comparams,
        dops=dops.partition("<STRUCTURE ")[0],
        structures="".join(dops.partition("<STRUCTURE ")[1:]),
        dtc_dops=dtc_dops,
        services=services,
        extra_comms=extra,
        tail=f"{tail}<UNIT-SPEC><UNITS>{KMH}</UNITS></UNIT-SPEC>",
    )


def imported(tmp_path: Path, *base: str, variants: tuple[str, ...] = (), wanted: tuple[str, ...] = ()) -> OdxImport:
    """What becomes of these layers; read back from the text it is written as."""
    made = read_odx(write_pdx(tmp_path / "car.pdx", base, variants), wanted)
    assert made.profile == parse_profile(made.text("car.pdx"), name="car.toml")
    return made


def reasons(made: OdxImport) -> dict[str, str]:
    """What was left out, and why."""
    return {item.what: item.why for item in made.left_out}
