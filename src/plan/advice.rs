//! What to have ready, and what to beware of (common practice, no source).

/// Always printed with a plan.
pub const CAUTIONS: [&str; 5] = [
    "Nothing here makes it safe to point a camera, binoculars or a telescope at the Sun. With the Sun up, use only certified solar filters and the advice of people licensed to give it.",
    "See your site by daylight first: edges, water, tides, ground, wires. Take a light, tell someone where you are and when you will be back.",
    "Keep off roads and verges; park where it is allowed; wear something bright.",
    "Hours of standing still are colder than the forecast: dress for ten degrees less, eat, drink, sit down.",
    "Local rules come first: access to the site, drones, lamps near wildlife and neighbours.",
];

/// Always printed with a plan.
pub const CHECKLIST: [&str; 9] = [
    "Batteries: full, warm, and twice what the plan asks for; a way to power the camera from outside.",
    "Card: empty, with the room the plan asks for; a second one.",
    "Clock: camera set to UTC or to the local zone, to the second; the offset written into shoot.ron.",
    "Dew: a heater band or a hand warmer on each lens; a dry cloth.",
    "Focus: on the limb or a bright star at full magnification, then taped; checked again as it cools.",
    "Stabilisation off on a tripod; long-exposure noise reduction off; raw, or raw and JPEG.",
    "Tripod: low, weighted, level; nobody walks near it. A frame of the landscape before the Moon comes.",
    "Weather: two forecasts, a place to retreat to, a second site under another sky.",
    "A test run of the whole sequence one evening before.",
];
