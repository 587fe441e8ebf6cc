//! Invented cards: no such company, customer or tank exists.

#![allow(clippy::assigning_clones)]

use lidmark::app::card::{CardData, FillCurve, FillPoint, Signature, TankPicture, TextBlock};
use lidmark::app::section::{CompartmentScene, DeviceScene, LayerKind, LidScene, SectionScene, SectionShape, TickUnit};

pub fn compartment(shape: SectionShape, scum_mm: u32, sludge_mm: u32) -> CompartmentScene {
    CompartmentScene {
        shape,
        liquid_depth_mm: 1_219,
        air_mm: 254,
        level_mm: 0,
        scum_mm: Some(scum_mm),
        sludge_mm: Some(sludge_mm),
        device: Some(DeviceScene {
            bottom_mm: 457,
            top_mm: Some(127),
        }),
        sludge_limit_mm: Some(762),
        scum_limit_mm: Some(381),
    }
}

pub fn scene(compartments: Vec<CompartmentScene>) -> SectionScene {
    let lid = |name: &str, cover_mm| LidScene {
        name: name.to_owned(),
        cover_mm,
        width_mm: 610,
        riser_top_mm: None,
    };
    SectionScene {
        compartments,
        lids: vec![lid("inlet", 51), lid("outlet", 127)],
        tick_unit: TickUnit::Inches,
        ..SectionScene::default()
    }
}

/// A box tank, and the shapes whose section is round, at the same liquid depth.
pub fn shapes() -> Vec<(&'static str, SectionShape)> {
    vec![
        ("box", SectionShape::Prism { width_mm: 2_438 }),
        ("level cylinder", SectionShape::Circle { diameter_mm: 1_524 }),
        (
            "obround",
            SectionShape::Obround {
                radius_mm: 600,
                straight_mm: 350,
            },
        ),
        (
            "ellipse",
            SectionShape::Ellipse {
                height_mm: 1_524,
                width_mm: 2_100,
            },
        ),
        (
            "dip table",
            SectionShape::Profile {
                rows: vec![(0, 900), (300, 1_800), (300, 2_000), (1_219, 2_000), (1_500, 600)],
            },
        ),
    ]
}

/// `S(t) = N·k·t^0.845` drawn for three values of k around 89 L, as in the method.
fn curve(people: f64, limit_litres: f64, due_years: f64) -> FillCurve {
    let at = |years: f64, k: f64| people * k * years.powf(0.845);
    let points = (0..=60).map(|n| {
        let years = f64::from(n) * due_years * 1.75 / 60.0;
        FillPoint {
            years,
            low_litres: at(years, 67.0),
            middle_litres: at(years, 89.0),
            high_litres: at(years, 146.0),
        }
    });
    FillCurve {
        points: points.collect(),
        limit_litres,
        due_years,
        window_years: Some((due_years * 0.72, due_years * 1.55)),
        ..FillCurve::default()
    }
}

fn texts(lines: &[&str]) -> Vec<String> {
    lines.iter().map(|&line| line.to_owned()).collect()
}

fn signature(label: &str, name: &str) -> Signature {
    let wave = |from: f64, to: f64, high: f64| {
        (0..40).map(move |n| {
            let part = f64::from(n) / 39.0;
            (
                from + (to - from) * part,
                40.0 + high * (part * 17.0).sin() - 14.0 * part,
            )
        })
    };
    let strokes = vec![
        wave(0.0, 70.0, 22.0).collect(),
        wave(78.0, 190.0, 9.0).collect(),
        vec![(200.0, 18.0)],
    ];
    Signature {
        label: label.to_owned(),
        name: name.to_owned(),
        strokes,
    }
}

pub fn english() -> CardData {
    let mut curve = curve(3.0, 740.0, 2.55);
    curve.limit_text = "full enough to pump".to_owned();
    curve.due_text = "May 2029".to_owned();
    curve.axis = (0..5).map(|n| (f64::from(n) + 0.13, (2027 + n).to_string())).collect();
    curve.axis.insert(0, (0.0, "today".to_owned()));
    let boxed = || SectionShape::Prism { width_mm: 2_438 };
    CardData {
        language: "en-US".to_owned(),
        title: "9 Juniper Bend: call us back by May 2029".to_owned(),
        company: "Example Pumping".to_owned(),
        company_lines: texts(&["555-0100", "License 00000 (invented)"]),
        site_lines: texts(&["9 Juniper Bend", "Mora, Minnesota"]),
        date_label: "Call us back by".to_owned(),
        date_text: "May 2029".to_owned(),
        in_text: "2 years 6 months from today".to_owned(),
        chance_text: "3 chances in 4 it is not full before then.".to_owned(),
        reason_text: "Based on 14 in of sludge after 4 years with 3 people.".to_owned(),
        window_text: "Likely between September 2028 and October 2030.".to_owned(),
        notes: texts(&["The county asks for a look inside every 3 years: by November 2029."]),
        curve: Some(curve),
        tanks: vec![
            TankPicture {
                caption: "Today, before pumping".to_owned(),
                detail: "scum 4 in, sludge 14 in".to_owned(),
                scene: scene(vec![compartment(boxed(), 102, 356)]),
            },
            TankPicture {
                caption: "May 2029".to_owned(),
                detail: "scum 1 in, sludge 12 in expected".to_owned(),
                scene: scene(vec![compartment(boxed(), 25, 305)]),
            },
        ],
        legend: vec![
            (LayerKind::Scum, "scum".to_owned()),
            (LayerKind::Clear, "liquid".to_owned()),
            (LayerKind::Sludge, "sludge".to_owned()),
            (LayerKind::Device, "outlet".to_owned()),
            (LayerKind::Limit, "limit".to_owned()),
        ],
        lids: TextBlock {
            heading: "Lids are 2 in and 5 in down".to_owned(),
            lines: texts(&[
                "Inlet lid: 2 in of soil, concrete, sound.",
                "Outlet lid: 5 in of soil, concrete, sound.",
                "Risers are your choice: both lids are shallow and easy to find again.",
            ]),
        },
        found: TextBlock {
            heading: "Done and found".to_owned(),
            lines: texts(&[
                "Pumped 1,000 gal; nothing left behind; tank rinsed.",
                "The line from the house was blocked; cleared.",
                "Outlet baffle in place and sound.",
            ]),
        },
        work: TextBlock::default(),
        cautions: TextBlock {
            heading: "Please keep safe".to_owned(),
            lines: texts(&[
                "Keep lids closed and secured. Never lean into an open tank: the gas can kill.",
                "Do not dig without having buried lines marked first.",
                "Local code and your local authority govern; this card does not replace them.",
            ]),
        },
        signature: Some(signature("Received by the customer, May 1, 2026", "R. Example")),
        footer: texts(&[
            "Technician: A. Sample",
            "Visit: November 1, 2026",
            "Rule set: Minnesota 7080.2450",
            "Invented data",
        ]),
        more_text: "… and {} more".to_owned(),
    }
}

pub fn spanish() -> CardData {
    let mut curve = curve(4.0, 900.0, 2.4);
    curve.limit_text = "lleno: hay que vaciar".to_owned();
    curve.due_text = "mayo de 2029".to_owned();
    curve.axis = (0..5).map(|n| (f64::from(n) + 0.13, (2027 + n).to_string())).collect();
    curve.axis.insert(0, (0.0, "hoy".to_owned()));
    let round = || SectionShape::Circle { diameter_mm: 1_524 };
    let mut today = scene(vec![compartment(round(), 150, 305)]);
    today.tick_unit = TickUnit::Centimetres;
    let mut due = scene(vec![compartment(round(), 30, 320)]);
    due.tick_unit = TickUnit::Centimetres;
    CardData {
        language: "es".to_owned(),
        title: "Calle Peña 14: llámenos antes de mayo de 2029".to_owned(),
        company: "Servicios de Ejemplo Ñandú".to_owned(),
        company_lines: texts(&["555-0100", "Licencia 00000 (inventada)"]),
        site_lines: texts(&["Familia Núñez", "Calle Peña 14, San Germán"]),
        date_label: "Llámenos antes de".to_owned(),
        date_text: "mayo de 2029".to_owned(),
        in_text: "dentro de 2 años y 6 meses".to_owned(),
        chance_text: "En 3 de cada 4 casos no se llena antes.".to_owned(),
        reason_text: "Según 30,5 cm de lodo después de 4 años con 4 personas.".to_owned(),
        window_text: "Lo más probable: entre septiembre de 2028 y octubre de 2030.".to_owned(),
        notes: texts(&["La norma local pide una inspección cada 3 años: antes de noviembre de 2029."]),
        curve: Some(curve),
        tanks: vec![
            TankPicture {
                caption: "Hoy, antes de vaciar".to_owned(),
                detail: "nata 15 cm, lodo 30,5 cm".to_owned(),
                scene: today,
            },
            TankPicture {
                caption: "mayo de 2029".to_owned(),
                detail: "se esperan: nata 3 cm, lodo 32 cm".to_owned(),
                scene: due,
            },
        ],
        legend: vec![
            (LayerKind::Scum, "nata".to_owned()),
            (LayerKind::Clear, "líquido".to_owned()),
            (LayerKind::Sludge, "lodo".to_owned()),
            (LayerKind::Device, "salida".to_owned()),
            (LayerKind::Limit, "límite".to_owned()),
        ],
        lids: TextBlock {
            heading: "Las tapas están a 5 cm y a 13 cm".to_owned(),
            lines: texts(&[
                "Tapa de entrada: 5 cm de tierra, hormigón, en buen estado.",
                "Tapa de salida: 13 cm de tierra, hormigón, con una grieta; conviene cambiarla.",
                "Un tubo elevador es opcional: las dos tapas son poco profundas y fáciles de encontrar.",
            ]),
        },
        found: TextBlock {
            heading: "Hecho y encontrado".to_owned(),
            lines: texts(&[
                "Se vaciaron 3800 L; no quedó nada; tanque enjuagado.",
                "La línea de la casa estaba obstruida; quedó libre.",
            ]),
        },
        work: TextBlock::default(),
        cautions: TextBlock {
            heading: "Por su seguridad".to_owned(),
            lines: texts(&[
                "Mantenga las tapas cerradas y aseguradas. Nunca se incline sobre un tanque abierto: el gas puede matar.",
                "No excave sin pedir antes que marquen las líneas enterradas.",
                "Rigen el código y la autoridad locales; esta tarjeta no los sustituye.",
            ]),
        },
        signature: Some(signature("Recibido por el cliente, 1 de noviembre de 2026", "R. Núñez")),
        footer: texts(&[
            "Técnico: A. Muestra",
            "Visita: 1 de noviembre de 2026",
            "Reglas: generales",
            "Datos inventados",
        ]),
        more_text: "… y {} más".to_owned(),
    }
}

/// Far too much to say, with everything that has ever broken a page.
pub fn overfull() -> CardData {
    let mut data = english();
    let sentence = "A very long remark about the tank, its lids, the yard, the dog & the <gate>, told at length. ";
    let hostile = "Ctrl \u{0} \u{1b} \u{fffe} \"quoted\" ]]> &amp; <svg/> emoji \u{1F9D1}\u{200D}\u{1F527} done";
    data.company =
        "The Extremely Long Established Example Septic Tank Pumping and Inspection Company of the County".to_owned();
    data.site_lines = vec![
        sentence.repeat(2),
        hostile.to_owned(),
        "x".repeat(500),
        "fourth".to_owned(),
    ];
    data.date_text = "We cannot give a date before the tank has been measured by somebody".to_owned();
    data.chance_text = sentence.repeat(4);
    data.reason_text = sentence.repeat(40);
    data.window_text = "W".repeat(3_000);
    data.notes = vec![sentence.repeat(3); 20];
    data.lids.lines = vec![sentence.repeat(2); 30];
    data.found.heading = sentence.repeat(3);
    data.found.lines = vec![hostile.to_owned(); 400];
    data.cautions.lines = vec![sentence.repeat(2); 12];
    data.footer = vec![sentence.to_owned(); 12];
    data.legend = vec![(LayerKind::Soil, sentence.to_owned()); 11];
    data.tanks = data.tanks.iter().cycle().take(9).cloned().collect();
    data
}
