"""The fixed caution texts by danger code. Reviewed as a whole; never composed per site."""

_DEFER = " Follow the local code; work that it reserves is done by a licensed or qualified person."

CAUTIONS: dict[str, str] = {
    "E1": ("The array is live in daylight and cannot be switched off, only isolated; modules give near-full voltage in "
           "weak light, and broken modules stay dangerous. Never open a connector under load: the arc does not go "
           "out by itself. Isolate in the right order, prove dead, use insulated tools, do not work alone." + _DEFER),
    "E2": ("Drives hold charge after they are switched off, and a pump that spins backwards makes voltage. Wait as "
           "long as the nameplate says, prove dead, and do not work with storms near." + _DEFER),
    "E3": ("Batteries give very large short-circuit currents; acid burns, hydrogen explodes, and lithium types can "
           "run hot. Remove metal from hands, ventilate, wear eye protection, no flame." + _DEFER),
    "L1": ("A pump on a pipe full of water is heavy and can fall into the well. Lift only with tripod or hoist, pipe "
           "clamps and a trained crew; never by the cable." + _DEFER),
    "C1": ("Wells, pits, tanks and sumps can hold air that kills without warning, and rescuers die beside the first "
           "victim. Nobody enters without a gas test, ventilation, harness, attendant and the permit that local rules "
           "ask for. Choose a test that needs no entry." + _DEFER),
    "P1": ("Stored pressure injures. Relieve it before opening anything; never close a valve against a piston, "
           "diaphragm or helical pump, and never plug or remove a relief valve." + _DEFER),
    "W1": ("Opening a well or lifting a pump calls for disinfection, flushing and a bacteriological test before people "
           "drink. Never mix bleach with acids or other chemicals; follow the health department's method." + _DEFER),
    "W2": ("Treat surface and flood water as contaminated: gloves, no siphoning by mouth. Stop and isolate the pump "
           "before hands come near a suction opening." + _DEFER),
    "G1": ("Some wells give off methane or hydrogen sulphide. No flame or sparks, ventilate, and stay out of low "
           "places." + _DEFER),
    "H1": ("Tank stands and roofs are falls, and heat, animals and lone travel are hazards of their own. Secure the "
           "ladder, do not climb alone or in wind, tell somebody where you are." + _DEFER),
}
