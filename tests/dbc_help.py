"""An invented car in the words of a DBC file, and what its messages read."""

from __future__ import annotations

from decoders.layout import Field, FieldValue, read_layout
from gateway.profiles.dbc import parse_dbc
from sessions.profile import ProfileMessage

# Invented messages. A signal's place is the lowest bit of a little-endian one (@1) and the highest of a big-endian
# one (@0), where bit 0 is the lowest of byte 0 and bit 8 the lowest of byte 1.
CAR = """\
VERSION "BO_ 1 Fake: 8 Nobody"

BS_:
BU_: Engine Body

BO_ 752 DOORS: 8 Body
 SG_ DoorFront : 0|2@1+ (1,0) [0|3] "" Engine
 SG_ Outside : 15|8@0- (0.5,-40.25) [0|0] "°C" Engine,Body
 SG_ Odometer : 23|24@0+ (0.1,0) [0|0] "km" Engine
 SG_ Torque : 47|16@0- (1,0) [0|0] "Nm" Engine

BO_ 2566844926 SPEEDS: 8 Engine
 SG_ Speed : 0|32@1- (3.6,0) [0|0] "km/h" Body
 SG_ Level : 32|32@1- (1,0) [0|0] "" Body

BO_ 753 PAGES: 8 Vector__XXX
 SG_ Page M : 0|4@1+ (1,0) [0|0] "" Body
 SG_ Always : 4|4@1+ (1,0) [0|0] "" Body
 SG_ First m0 : 8|16@1+ (0.25,1) [0|0] "V" Body
 SG_ Second m1 : 8|8@1- (1,0) [0|0] "" Body

BO_ 754 DEEP: 8 Body
 SG_ Service M : 7|8@0+ (1,0) [0|0] "" Engine
 SG_ Number m65M : 15|8@0+ (1,0) [0|0] "" Engine
 SG_ Load m4 : 23|8@0+ (0.392156862745098,0) [0|100] "%" Engine
 SG_ Rpm m12 : 23|16@0+ (0.25,0) [0|0] "rpm" Engine
 SG_ Code m67 : 15|24@0+ (1,0) [0|0] "" Engine

BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX
 SG_ Loose : 0|64@1+ (1,0) [0|0] "" Vector__XXX

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 752 100;
CM_ SG_ 752 Torque "SG_ Fake : 0|8@1+ (1,0)";
VAL_ 752 DoorFront 0 "closed" 1 "open" 9 "never" ;
VAL_ 752 Torque -1 "not known" ;
SIG_VALTYPE_ 2566844926 Speed : 1;
VAL_ 2566844926 Speed 2 "walking" ;
SG_MUL_VAL_ 754 Number Service 65-65;
SG_MUL_VAL_ 754 Load Number 4-5, 68-68;
SG_MUL_VAL_ 754 Rpm Number 12-12;
SG_MUL_VAL_ 754 Code Service 67-67, 71-71;
"""


def messages(text: str = CAR) -> dict[str, ProfileMessage]:
    return {item.layout.name: item for item in parse_dbc(text, name="car.dbc")}


def fields_of(name: str) -> dict[str, Field]:
    return {field.name: field for field in messages()[name].layout.fields}


def read(name: str, data: str) -> dict[str, FieldValue]:
    return {item.name: item for item in read_layout(messages()[name].layout, bytes.fromhex(data)).values}
