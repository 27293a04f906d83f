"""Which control unit a network code complains about: the units that U01xx and U02xx name.

Each line of `ROWS` has three codes without their U: lost communication with the unit, invalid data from it, its
software does not go together with ours; ``----`` where none is listed. Then the unit, in our words. The numbers of
one line follow from no other line: they are as they were assigned.

Source: SAE J2012-DA values as listed by Wal33D/dtc-database (MIT, see NOTICE).
"""

from __future__ import annotations

ROWS = """
0100 0401 0301 engine control unit A
0101 0402 0302 transmission control unit
0102 0403 0303 transfer case control unit
0103 0404 0304 gear shift control unit A
0104 0405 0305 cruise control unit
0105 0406 0306 fuel injector control unit
0106 0407 0307 glow plug control unit 1
0107 0408 0308 throttle actuator A control unit
0108 0409 0309 alternative fuel control unit
0109 0410 0310 fuel pump control unit A
010A 040B ---- exhaust gas recirculation control unit A
010B 040C ---- exhaust gas recirculation control unit B
010C 040D ---- turbocharger or supercharger control unit A
010D 040E ---- turbocharger or supercharger control unit B
010E 040F 030F reductant control unit
010F 040A ---- air conditioning control unit
0110 0411 0311 drive motor control unit A
0111 0412 0312 battery energy control unit A
0112 0413 0313 battery energy control unit B
0113 0441 ---- emissions-critical control information
0114 0414 0314 four-wheel drive clutch control unit
0115 0442 ---- engine control unit B
0116 0456 ---- coolant temperature control unit
0117 0465 ---- power take-off control unit
0118 0467 ---- fuel additive control unit
0119 0468 ---- fuel cell control unit
011A 041B ---- exhaust gas sensor unit A
011B 041C ---- rocker arm control unit A
011C 041D ---- rocker arm control unit B
011D 041E ---- all-wheel drive control unit
011E 041F ---- throttle actuator B control unit
011F 042A ---- vehicle-to-everything unit
0120 0469 ---- starter generator control unit
0121 0415 0315 ABS control unit A
0122 0416 0316 vehicle dynamics control unit
0123 0513 ---- yaw rate sensor unit
0124 0536 ---- lateral acceleration sensor unit
0125 0432 0332 multi-axis acceleration sensor unit A
0126 0428 0328 steering angle sensor unit
0127 0430 0330 tyre pressure monitor
0128 0417 0317 parking brake control unit
0129 0418 0318 brake system control unit A
012A 042B ---- chassis control unit A
012B 042C ---- chassis control unit B
012C 042D ---- active vibration control unit
012D 042E ---- generator A control unit
012E 042F ---- camshaft position control unit
012F 044D ---- generator B control unit
0130 0419 0319 steering effort control unit
0131 0420 0320 power steering control unit A
0132 0421 0321 suspension control unit A
0133 0434 ---- active roll control unit
0134 0435 ---- rear power steering control unit
0135 0436 ---- front differential control unit
0136 0437 ---- rear differential control unit
0137 0438 ---- trailer brake control unit
0138 0439 ---- all-terrain control unit
0139 043A ---- suspension control unit B
013C 043D ---- accelerator pedal unit
013D 043E ---- vacuum sensor A
013E 043F ---- vacuum sensor B
013F 0440 ---- pedestrian alert control unit
0140 0422 0322 body control unit
0141 0431 0331 body control unit A
0142 0443 0339 body control unit B
0143 0444 ---- body control unit C
0144 0445 ---- body control unit D
0145 0446 ---- body control unit E
0146 0447 ---- gateway A
0147 0448 ---- gateway B
0148 0449 ---- gateway C
0149 044A ---- gateway D
014A 044B 034C battery energy control unit C
014B 044C ---- traction battery inductive charging unit
014C ---- ---- battery energy control unit D
014D 044F ---- mirror control unit B
014E ---- ---- multi-axis acceleration sensor unit B
0150 0451 ---- gateway E
0151 0452 0336 restraint control unit
0152 0453 ---- left side restraint control unit
0153 0454 ---- right side restraint control unit
0154 0455 ---- occupant classification unit
0155 0423 0323 instrument cluster
0156 0457 ---- information centre A
0157 0458 ---- information centre B
0158 0459 ---- head-up display
0159 045A 031D parking assist control unit A
015A 045B ---- ABS control unit B
015B 045C ---- power steering control unit B
015C 045D ---- automated driving system control unit A
015D 045E ---- automated driving system control unit B
015E 045F ---- automated driving system interface unit A
015F 0460 ---- automated driving system interface unit B
0160 0461 ---- audible alert control unit
0161 0462 ---- compass
0162 0463 ---- navigation display unit
0163 0464 ---- navigation control unit
0164 0424 0324 climate control unit
0165 0466 ---- rear climate control unit
0166 0425 0325 auxiliary heater control unit
0167 0426 0326 vehicle immobiliser control unit
0168 0427 0327 vehicle security control unit
0169 046A ---- sunroof control unit
016A 046B ---- satellite positioning unit
016B 046C 032A air conditioning compressor control unit
016C 046D ---- fuel pump control unit B
016D 046E ---- exhaust gas sensor unit B
0170 0471 ---- restraint sensor A
0171 0472 ---- restraint sensor B
0172 0473 ---- restraint sensor C
0173 0474 ---- restraint sensor D
0174 0475 ---- restraint sensor E
0175 0476 ---- restraint sensor F
0176 0477 ---- restraint sensor G
0177 0478 ---- restraint sensor H
0178 0479 ---- restraint sensor I
0179 047A ---- restraint sensor J
017A 047B ---- restraint sensor K
017B 047C ---- restraint sensor L
017C 047D ---- restraint sensor M
017D 047E ---- restraint sensor N
017E 047F ---- belt pretensioner unit A
017F 0480 ---- belt pretensioner unit B
0180 0481 ---- automatic lighting control unit
0181 0482 ---- headlamp levelling control unit A
0182 0483 ---- front lighting control unit
0183 0484 ---- rear lighting control unit A
0184 0485 0334 radio
0185 0486 ---- antenna control unit
0186 0487 ---- audio amplifier A
0187 0488 ---- disc player or changer A
0188 0489 ---- disc player or changer B
0189 048A ---- disc player or changer C
018A 048B ---- headlamp levelling control unit B
0190 0491 ---- disc player or changer D
0191 0492 ---- television
0192 0493 ---- personal computer
0193 0494 ---- digital audio control unit A
0194 0495 ---- digital audio control unit B
0195 0496 ---- subscription entertainment receiver
0196 0497 ---- rear entertainment control unit A
0197 0498 ---- telephone control unit
0198 0499 ---- telematics control unit
0199 049A ---- door control unit A
019A 049B ---- tachograph
019B 049C 0337 battery charger control unit A
019C 049D 030B glow plug control unit 2
019D 049E ---- ozone catalyst temperature sensor
019E 049F 031A transmission range control unit
019F 04A0 ---- engine coolant pump control unit
01A0 04A1 033A traction battery interface control unit A
01A1 04A2 033B traction battery interface control unit B
01A2 04A3 033C traction battery interface control unit C
01A3 ---- 033D traction battery interface control unit D
01A4 04A5 033E traction battery interface control unit E
01A5 04A6 033F traction battery interface control unit F
01A6 04A7 0340 traction battery interface control unit G
01A7 04A8 0341 traction battery interface control unit H
01A8 04A9 0342 traction battery interface control unit I
01A9 04AA 0343 traction battery interface control unit J
01AA 04AB 0344 traction battery interface control unit K
01AB 04AC 0345 traction battery interface control unit L
01AC 04AD 0346 traction battery interface control unit M
01AD 04AE 0347 traction battery interface control unit N
01AE 04AF 0348 traction battery interface control unit O
01AF 04B0 0349 traction battery interface control unit P
01B0 04B1 ---- battery monitor unit
01B1 04B2 ---- particulate matter sensor B
01B2 04B3 ---- planetary gear set control unit
01B3 04B4 ---- brake blending actuator
01B4 04B5 031C brake system control unit B
01B5 04B6 ---- catalyst heater control unit
01B6 ---- ---- fuel heater control unit
01B7 04BA ---- switch input unit A
01B8 04BB ---- switch input unit B
01B9 04BC ---- switch input unit C
01BA 04BD ---- park lock control unit
01BB 04BE ---- battery charger control unit B
01BC ---- ---- charge air cooler coolant pump B
01BD ---- ---- DC/DC converter control unit C
01BE 04BF ---- drive motor A clutch actuator
01BF 04C0 ---- battery management control unit
0200 0501 ---- door control unit B
0201 0502 ---- door control unit C
0202 0503 ---- door control unit D
0203 0504 ---- door control unit E
0204 0505 ---- door control unit F
0205 0506 ---- door control unit G
0206 0507 ---- folding top control unit
0207 0508 ---- movable roof control unit A
0208 0509 ---- seat control unit A
0209 050A ---- seat control unit B
020A 050B ---- movable roof control unit B
020B 050C ---- door control unit H
020C 050D ---- wireless charging unit A
020D 050E ---- wireless charging unit B
0210 0511 ---- seat control unit C
0211 0512 ---- seat control unit D
0212 0429 0329 steering column control unit
0213 0514 ---- mirror control unit A
0214 0515 0338 remote function actuation unit
0215 0516 ---- door switch A
0216 0517 ---- door switch B
0217 0518 ---- door switch C
0218 0519 ---- door switch D
0219 051A ---- door switch E
0220 0521 ---- door switch F
0221 0522 ---- door switch G
0222 0523 ---- door window motor A
0223 0524 ---- door window motor B
0224 0525 ---- door window motor C
0225 0526 ---- door window motor D
0226 0527 ---- door window motor E
0227 0528 ---- door window motor F
0228 0529 ---- door window motor G
0229 052A ---- heated steering wheel unit
022E 052F ---- object detection maintenance control unit A
022F 0530 ---- object detection maintenance control unit B
0230 0531 ---- rear gate unit
0231 0532 ---- rain sensing unit
0232 0533 ---- side obstacle detection control unit A
0233 0534 ---- side obstacle detection control unit B
0234 0535 ---- convenience recall unit
0235 0433 ---- front distance sensor, single or centre
0236 0537 ---- column lock unit
0237 0538 ---- digital audio control unit C
0238 0539 ---- digital audio control unit D
0239 053A ---- entrapment control unit A
023A 053B ---- image processing unit A
023B 053C ---- image processing unit B
023C 053D ---- image processing unit C
023D 043B ---- left front distance sensor
023E 043C ---- right front distance sensor
0240 0541 ---- entrapment control unit B
0241 0542 ---- headlamp control unit A
0242 0543 ---- headlamp control unit B
0243 0544 031E parking assist control unit B
0244 0545 ---- running board control unit A
0245 0546 ---- front entertainment control unit
0246 0547 ---- seat control unit E
0247 0548 ---- seat control unit F
0248 0549 ---- remote accessory unit
0249 054A ---- rear entertainment control unit B
024A 054B ---- interior lighting control unit A
024B 054C ---- seat control unit G
024C 054D ---- seat control unit H
024D 054E ---- seat control unit J
024E 054F ---- side obstacle detection control unit C
024F 0550 ---- side obstacle detection control unit D
0250 0551 ---- impact classification unit
0251 0552 ---- running board control unit B
0252 0553 ---- rear lighting control unit B
0253 0554 031F accessory protocol interface unit
0254 0555 ---- remote start unit
0255 0556 ---- front display interface unit
0256 0557 ---- front controls interface unit A
0257 0558 ---- front controls and display unit
0258 0559 ---- radio transceiver
0259 055A ---- special purpose vehicle control unit A
025A 055B ---- special purpose vehicle control unit B
025B 055C ---- special purpose vehicle control unit C
025C 055D ---- special purpose vehicle control unit D
025D 055E ---- front controls interface unit B
025E 055F ---- electric brake booster control unit A
025F 0560 ---- electric brake booster control unit B
0260 0561 ---- seat control switch unit A
0261 0562 ---- seat control switch unit B
0262 0563 ---- audio amplifier B
0263 0564 ---- speech recognition unit
0264 0565 ---- rear camera unit
0265 0566 ---- image processing sensor A
0266 0567 ---- image processing sensor B
0267 0568 ---- image processing sensor C
0268 0569 ---- image processing sensor D
0269 056A ---- image processing sensor E
026A 056B ---- image processing sensor F
026B 056C ---- image processing sensor G
026C 056D ---- image processing sensor H
026D 056E ---- image processing sensor I
026E 056F ---- image processing sensor J
026F 0570 ---- image processing sensor K
0270 0571 ---- image processing sensor L
0271 ---- ---- seat control switch unit C
0272 ---- ---- seat control switch unit D
0273 0574 ---- lighting driver control unit A
0274 0575 ---- lighting driver control unit B
0275 0576 ---- lighting driver control unit C
0276 0577 ---- lighting driver control unit D
0277 0578 ---- seat control unit K
0278 0579 ---- seat control unit L
0279 0580 ---- haptic control unit
027A 057B ---- battery charger control unit C
027B 057C ---- battery charger control unit D
027C 057D ---- off-board charger control unit
0284 0585 034E active grille shutter unit A
0285 0586 034F active grille shutter unit B
0286 0587 ---- radiator anti-tamper device
0287 0588 ---- transmission fluid pump unit A
0288 0589 ---- DC/AC converter control unit A
0289 058A ---- DC/AC converter control unit B
028A 058B ---- transmission fluid pump unit B
028B 058C 0350 active grille shutter unit C
028C 058D 0351 active grille shutter unit D
028D ---- ---- active aerodynamic feature control unit A
028E ---- ---- active aerodynamic feature control unit B
028F ---- ---- active aerodynamic feature control unit C
0290 ---- ---- active aerodynamic feature control unit D
0291 0592 0333 gear shift control unit B
0292 0593 ---- drive motor control unit B
0293 0594 ---- hybrid or electric drive control unit
0294 0595 ---- powertrain control monitor unit
0295 0596 ---- AC/AC converter control unit
0296 0597 ---- AC/DC converter control unit A
0297 0598 ---- AC/DC converter control unit B
0298 0599 031B DC/DC converter control unit A
0299 059A ---- DC/DC converter control unit B
029A 059B 0335 traction battery sensor unit
029B 059C ---- drive motor control unit C
029C 059D ---- drive motor control unit D
029D 059E 030D NOx sensor A
029E 059F 030E NOx sensor B
029F 05A0 030A fuel vapour leak detection control unit
02A1 05A8 0352 NOx sensor C
02A2 05A3 030C reductant quality unit
02A3 04A4 ---- particulate matter sensor A
02A4 05A5 ---- ammonia sensor
02A5 05A6 ---- reductant heater control unit
02A6 05A7 ---- safety integration control unit
02A7 ---- ---- engine sound control 1
02A8 ---- ---- engine sound control 2
02A9 05AA ---- charge air cooler coolant pump A
02AA 05AB 034A engine disconnect clutch
02AB 05AC 034D vehicle thermal management control unit
02AC ---- ---- turbocharger or supercharger boost control A
02AD ---- ---- turbocharger or supercharger boost control B
02AE ---- ---- traction battery coolant pump
02AF ---- ---- turbocharger turbine inlet valve position sensor
02B0 ---- ---- turbocharger or supercharger boost control B position sensor
02B1 05B2 ---- comfort and convenience display A
02B2 05B3 ---- comfort and convenience display B
02B3 05B4 ---- driver monitoring system unit
02B4 05B5 ---- front radar unit A
02B5 05B6 ---- front radar unit B
02B6 05B7 ---- rear radar unit A
02B7 05B8 ---- rear radar unit B
02B8 05B9 ---- rear radar unit C
02B9 05BA ---- rear radar unit D
02BA ---- ---- drive electronics coolant pump B
02BB ---- ---- fuel vapour purge pump
02BC 05BD ---- localisation and mapping unit
02BD 05BE ---- night vision control unit
02BE 05BF ---- trailer reversing assist control unit
02BF 05C0 ---- interior lighting control unit B
02C0 05C1 ---- active radiator airflow control unit A
02C1 ---- ---- drive electronics coolant pump C
"""
