//! What can hurt a person, a car or a driver, and is never left out.

/// What the technician is reminded of on every entry sheet.
///
/// Source: NIOSH 98-126 for the exposure limit (85 dBA for 8 hours, halved for
/// every 3 dB); the rest is common practice, no source.
pub const TECHNICIAN_CAUTIONS: &[&str] = &[
    "Hearing: 85 dBA is the limit for 8 hours a day, and every 3 dB more halves the time (NIOSH 98-126). \
     Wear protection at high levels and start every test quietly.",
    "Drivers: a test signal must stay inside the band that a driver can take. Never send a full-range sweep \
     to a tweeter.",
    "Running engine: only in open air. Exhaust holds carbon monoxide, which kills without a smell.",
    "Battery: supply it from outside during a long session.",
    "Bridged amplifier outputs have no ground side. Never connect one to the ground of an interface: use a \
     differential probe, or an isolated and attenuated input rated for the voltage.",
    "Wiring: disconnect the battery first, and leave airbag circuits alone.",
    "Driving: never operate any of this while driving.",
    "The vehicle maker's instructions, local codes and licensed practice come before anything on this sheet.",
];

/// What the customer is told.
pub const CUSTOMER_CAUTIONS: &[&str] = &[
    "Loud music harms hearing for good. 85 dBA is the limit for 8 hours a day, and every 3 dB more halves the \
     time (NIOSH 98-126).",
    "Do not change sound settings while driving.",
    "Do not run the engine in a closed garage to listen: exhaust kills without a smell.",
    "Work on the wiring belongs to a person who knows it: the battery is disconnected first, and airbag \
     circuits are left alone.",
    "The vehicle maker's instructions come before anything in this report.",
];
