"""Which part a network code complains about: what U06xx names, and all that no U01xx or U02xx names.

The lines are those of `decoders.network_units`.

Source: SAE J2012-DA values as listed by Wal33D/dtc-database (MIT, see NOTICE).
"""

from __future__ import annotations

ROWS = """
0600 ---- ---- engine oil pressure sensor A
0601 ---- ---- particulate filter pressure sensor A
0602 ---- ---- particulate filter pressure sensor B
0603 ---- ---- fuel pressure sensor A
0604 ---- ---- fuel pressure sensor B
0605 ---- ---- air conditioning refrigerant sensor A
0606 ---- ---- throttle or pedal position sensor or switch A
0607 ---- ---- throttle or pedal position sensor or switch B
0608 ---- ---- throttle or pedal position sensor or switch C
0609 ---- ---- intake manifold or barometric pressure sensor
060A ---- ---- intake manifold pressure sensor B
060B ---- ---- turbocharger or supercharger boost sensor A
060C ---- ---- turbocharger or supercharger boost sensor B
060D ---- ---- turbocharger or supercharger boost sensor C
060E ---- ---- crankcase pressure sensor
060F ---- ---- intake air flow sensor A
0610 ---- ---- intake air flow sensor B
0611 ---- ---- intake air temperature sensor 1, bank 1
0612 ---- ---- intake air temperature sensor 1, bank 2
0613 ---- ---- intake air temperature sensor 2, bank 1
0614 ---- ---- intake air temperature sensor 2, bank 2
0615 ---- ---- engine coolant bypass valve A
0616 ---- ---- engine coolant bypass valve B
0617 ---- ---- engine coolant bypass valve C
0618 ---- ---- engine coolant bypass valve D
0619 ---- ---- reductant level sensor A
061A ---- ---- reductant level sensor B
061B ---- ---- reductant level sensor C
061C ---- ---- reductant temperature sensor A
061D ---- ---- reductant temperature sensor B
061E 041A ---- battery isolation or voltage stabilising unit
061F ---- ---- exhaust gas temperature sensor, bank 1 sensor 1
0620 ---- ---- exhaust gas temperature sensor, bank 1 sensor 2
0621 ---- ---- exhaust gas temperature sensor, bank 2 sensor 1
0622 ---- ---- exhaust gas temperature sensor, bank 2 sensor 2
0623 ---- ---- coolant pump A
0624 ---- ---- coolant pump B
0625 ---- ---- fuel rail pressure sensor, bank 1
0626 ---- ---- air conditioning refrigerant pressure sensor A
0627 ---- ---- air conditioning refrigerant temperature sensor A
0628 ---- ---- air conditioning refrigerant pressure sensor B
0629 ---- ---- air conditioning refrigerant temperature sensor B
062A ---- ---- air conditioning refrigerant distribution valve actuator A
062B ---- ---- air conditioning refrigerant distribution valve actuator B
062C ---- ---- air conditioning refrigerant distribution valve actuator C
062D ---- ---- air conditioning refrigerant distribution valve actuator D
062E ---- ---- air conditioning refrigerant expansion valve actuator
062F ---- ---- coolant pump C
0630 ---- ---- engine coolant temperature sensor 4
0631 ---- ---- engine coolant temperature sensor 5
0632 ---- ---- fan 1
0633 ---- ---- fan 2
0634 ---- ---- traction battery coolant temperature sensor A
0635 ---- ---- traction battery coolant temperature sensor B
0636 ---- ---- traction battery coolant control valve A
0637 ---- ---- traction battery coolant control valve B
0638 ---- ---- drive electronics coolant temperature sensor A
0639 ---- ---- drive electronics coolant temperature sensor B
063A ---- ---- drive electronics coolant temperature sensor C
063B ---- ---- coolant bypass valve actuator A
063C ---- ---- coolant bypass valve actuator B
063D ---- ---- drive electronics coolant pump A
063E ---- ---- exhaust heat exchanger bypass valve actuator A
063F ---- ---- engine coolant flow control valve position sensor
0640 ---- ---- fuel vapour temperature sensor
0641 ---- ---- fuel vapour pressure sensor or switch A
0642 ---- ---- fuel vapour pressure sensor or switch B
0643 ---- ---- turbocharger or supercharger A temperature sensor
0644 ---- ---- wastegate position sensor A
0645 ---- ---- active air dam unit
0646 ---- ---- motor electronics coolant pump A
0647 ---- ---- motor electronics coolant pump B
0648 ---- ---- motor electronics coolant pump C
0649 ---- ---- coolant pump D
064A ---- ---- traction battery current sensor A
064B ---- ---- traction battery current sensor B
064C ---- ---- traction battery current sensor C
064D ---- ---- trailer brake control switch
064E ---- ---- exhaust gas recirculation cooler bypass position sensor, bank 1
064F ---- ---- intake manifold runner position sensor, bank 1
0650 ---- ---- exhaust pressure control valve A sensor or switch
0651 ---- ---- exhaust gas recirculation sensor A
0652 ---- ---- exhaust gas recirculation sensor B
0653 ---- ---- exhaust gas recirculation sensor C
0654 ---- ---- diesel intake air flow A position sensor
0655 ---- ---- diesel intake air flow B position sensor
0656 ---- ---- turbocharger or supercharger boost control A position sensor
0657 ---- ---- turbocharger or supercharger bypass valve A position sensor
0658 ---- ---- windscreen temperature sensor
0659 ---- ---- left front temperature actuator
065A ---- ---- right front temperature actuator
065B ---- ---- left front mode actuator
065C ---- ---- right front mode actuator
065D ---- ---- air intake actuator
065E ---- ---- ram air actuator
065F ---- ---- left rear temperature actuator A
0660 ---- ---- left rear temperature actuator B
0661 ---- ---- right rear temperature actuator A
0662 ---- ---- right rear temperature actuator B
0663 ---- ---- rear mode actuator
0664 ---- ---- rear climate air shut-off actuator
0665 ---- ---- fuel rail pressure sensor, bank 2
0666 ---- ---- reductant pressure sensor
0667 ---- ---- engine oil temperature sensor A
0668 ---- ---- engine oil level sensor
0669 ---- ---- exhaust gas recirculation sensor D
066A ---- ---- exhaust gas recirculation sensor E
066B ---- ---- turbocharger or supercharger bypass valve B position sensor
066C ---- ---- exhaust heat exchanger bypass valve actuator B
066D ---- ---- charge air cooler temperature sensor, bank 1
066E ---- ---- charge air cooler temperature sensor, bank 2
066F ---- ---- low pressure fuel system sensor
0670 ---- ---- fuel temperature sensor A
0671 ---- ---- fuel temperature sensor B
0672 ---- ---- engine coolant pump
0673 0901 0353 ion sensing unit
0674 ---- ---- wastegate position sensor B
0675 ---- ---- turbocharger or supercharger speed sensor A
0676 ---- ---- fuel level sensor A
0677 ---- ---- fuel level sensor B
0678 ---- ---- fuel level sensor C
0679 ---- ---- transmission fluid pressure sensor or switch A
067A ---- ---- transmission fluid pressure sensor or switch B
067B ---- ---- engine disconnect clutch pressure sensor
067C ---- ---- fan 3
067D ---- ---- fan 4
067E ---- ---- exhaust pressure control valve B sensor or switch
067F ---- ---- barometric pressure sensor A
0680 ---- ---- barometric pressure sensor B
0681 ---- ---- throttle or pedal position sensor or switch D
0682 ---- ---- throttle or pedal position sensor or switch E
0683 ---- ---- throttle or pedal position sensor or switch F
0684 ---- ---- catalyst temperature, bank 1 sensor 1
0685 ---- ---- catalyst temperature, bank 1 sensor 2
0686 ---- ---- catalyst temperature, bank 2 sensor 1
0687 ---- ---- catalyst temperature, bank 2 sensor 2
0688 ---- ---- throttle position sensor or switch G
0689 ---- ---- turbocharger or supercharger B temperature sensor
068A ---- ---- barometric pressure sensor C
068B ---- ---- turbocharger or supercharger inlet pressure sensor A
068C ---- ---- turbocharger or supercharger inlet pressure sensor B
068D ---- ---- exhaust gas recirculation temperature sensor A
068E ---- ---- exhaust gas recirculation temperature sensor B
068F ---- ---- exhaust gas recirculation temperature sensor C
0690 ---- ---- exhaust gas recirculation temperature sensor D
0691 ---- ---- exhaust pressure sensor A
0692 ---- ---- exhaust pressure sensor B
0693 ---- ---- humidity sensor
0694 ---- ---- traction battery coolant pump A
0695 ---- ---- traction battery coolant pump B
0696 ---- ---- particulate filter pressure sensor C
0697 ---- ---- particulate filter pressure sensor D
0698 ---- ---- coolant pump E
0699 ---- ---- coolant pump F
069A ---- ---- exhaust gas temperature sensor, bank 1 sensor 3
069B ---- ---- exhaust gas temperature sensor, bank 1 sensor 4
069C ---- ---- exhaust gas temperature sensor, bank 2 sensor 3
069D ---- ---- exhaust gas temperature sensor, bank 2 sensor 4
069E ---- ---- coolant heater A
069F ---- ---- exhaust pressure sensor C
---- ---- 034B brake booster control
---- ---- 0354 traction battery inductive charger control unit
---- 0572 ---- vehicle motion control unit A
---- 0573 ---- vehicle motion control unit B
---- 05A1 ---- engine control unit, told by NOx sensor A
---- 05A2 ---- engine control unit, told by NOx sensor B
---- 05A4 ---- engine control unit, told by particulate matter sensor
---- 05A9 ---- engine control unit, told by NOx sensor C
"""
