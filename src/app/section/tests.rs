use super::*;
use proptest::prelude::*;

fn any_shape() -> impl Strategy<Value = SectionShape> {
    let mm = || prop_oneof![0_u32..6_000, Just(u32::MAX)];
    prop_oneof![
        mm().prop_map(|width_mm| SectionShape::Prism { width_mm }),
        mm().prop_map(|diameter_mm| SectionShape::Circle { diameter_mm }),
        (mm(), mm()).prop_map(|(radius_mm, straight_mm)| SectionShape::Obround { radius_mm, straight_mm }),
        (mm(), mm()).prop_map(|(height_mm, width_mm)| SectionShape::Ellipse { height_mm, width_mm }),
        proptest::collection::vec((mm(), mm()), 0..6).prop_map(|rows| SectionShape::Profile { rows }),
    ]
}

prop_compose! {
    fn any_compartment()(
        shape in any_shape(),
        liquid_depth_mm in prop_oneof![0_u32..3_000, Just(u32::MAX)],
        air_mm in prop_oneof![0_u32..600, Just(u32::MAX)],
        level_mm in prop_oneof![-500_i32..500, any::<i32>()],
        scum_mm in proptest::option::of(0_u32..3_000),
        sludge_mm in proptest::option::of(0_u32..3_000),
        device in proptest::option::of((0_u32..1_000, proptest::option::of(0_u32..300))),
        sludge_limit_mm in proptest::option::of(-100_i32..2_000),
    ) -> CompartmentScene {
        let device = device.map(|(bottom_mm, top_mm)| DeviceScene { bottom_mm, top_mm });
        CompartmentScene {
            shape, liquid_depth_mm, air_mm, level_mm, scum_mm, sludge_mm, device,
            sludge_limit_mm, scum_limit_mm: sludge_limit_mm,
        }
    }
}

prop_compose! {
    fn any_scene()(
        compartments in proptest::collection::vec(any_compartment(), 0..4),
        lids in proptest::collection::vec((-400_i32..1_500, 0_u32..900, proptest::option::of(-300_i32..900)), 0..4),
        tall in any::<bool>(),
        metric in any::<bool>(),
    ) -> SectionScene {
        let lids = lids.into_iter().map(|(cover_mm, width_mm, riser_top_mm)| {
            LidScene { name: "lid".to_owned(), cover_mm, width_mm, riser_top_mm }
        });
        SectionScene {
            compartments,
            lids: lids.collect(),
            selected: Some(Edge { kind: EdgeKind::SludgeTop, part: 0 }),
            fit: if tall { Fit::Tall } else { Fit::Whole },
            tick_unit: if metric { TickUnit::Centimetres } else { TickUnit::Inches },
        }
    }
}

fn any_area() -> impl Strategy<Value = Area> {
    let side = || {
        prop_oneof![
            1.0_f64..1_500.0,
            Just(0.0),
            Just(-5.0),
            Just(f64::NAN),
            Just(f64::INFINITY)
        ]
    };
    (side(), side()).prop_map(|(width_px, height_px)| Area { width_px, height_px })
}

fn is_plain(drawing: &SectionDrawing) -> bool {
    drawing.px_per_mm.is_finite()
        && drawing.px_per_mm > 0.0
        && drawing.grade_y.is_finite()
        && drawing.handles.iter().all(|h| h.x.is_finite() && h.y.is_finite())
        && drawing
            .ticks
            .iter()
            .chain(&drawing.lid_labels)
            .all(|t| t.x.is_finite() && t.y.is_finite())
        && drawing.layers.iter().all(|layer| {
            let numbers = layer
                .commands
                .split(['M', 'L', 'Z', ' '])
                .filter(|word| !word.is_empty());
            layer.commands.starts_with('M') && numbers.clone().all(|n| n.parse::<f64>().unwrap().is_finite())
        })
}

proptest! {
    #[test]
    fn any_scene_in_any_area_gives_finite_path_data(scene in any_scene(), area in any_area(), x: f64, y: f64) {
        let drawing = tank_section(&scene, area);
        prop_assert!(is_plain(&drawing), "{drawing:?}");
        // A touch anywhere, even nowhere, is answered.
        if let Some(edge) = drawing.to_edge(x, y) {
            prop_assert!(drawing.value_at(edge, y).is_some());
        }
    }

    #[test]
    fn any_ground_in_any_area_gives_finite_path_data(
        cover_mm in prop_oneof![-500_i32..2_000, any::<i32>()],
        width_mm in prop_oneof![0_u32..900, any::<u32>()],
        stack_mm in proptest::collection::vec(prop_oneof![0_u32..700, any::<u32>()], 0..5),
        finish_mm in proptest::option::of(-300_i32..300),
        area in any_area(),
    ) {
        let scene = GroundScene {
            cover_mm, width_mm, stack_mm, finish_mm,
            span_mm: GroundScene::span_for(cover_mm), ..GroundScene::default()
        };
        let drawing = ground_section(&scene, area);
        prop_assert!(is_plain(&drawing), "{drawing:?}");
    }

    #[test]
    fn dragging_an_edge_to_where_it_stands_changes_nothing(scene in any_scene(), area in any_area()) {
        let drawing = tank_section(&scene, area);
        // Whole millimetres are told apart only while an f64 holds the pixels finely enough.
        prop_assume!(drawing.px_per_mm > 1e-4);
        for handle in &drawing.handles {
            let y = drawing.y_of(handle.edge, handle.value_mm).unwrap();
            prop_assert_eq!(drawing.value_at(handle.edge, y), Some(handle.value_mm));
        }
    }

    #[test]
    fn one_pixel_is_one_pixel_of_millimetres(value_mm in -200_i32..2_000, dy in -300.0_f64..300.0) {
        let drawing = tank_section(&typical(), Area { width_px: 400.0, height_px: 500.0 });
        for kind in [EdgeKind::Level, EdgeKind::ScumBottom, EdgeKind::SludgeTop, EdgeKind::DeviceBottom] {
            let edge = Edge { kind, part: 0 };
            let y = drawing.y_of(edge, value_mm).unwrap();
            let moved = drawing.value_at(edge, y + dy).unwrap() - value_mm;
            prop_assert!((f64::from(moved).abs() - dy.abs() / drawing.px_per_mm).abs() <= 0.5 + 1e-6);
        }
    }
}

fn typical() -> SectionScene {
    SectionScene {
        compartments: vec![CompartmentScene {
            shape: SectionShape::Prism { width_mm: 2_438 },
            liquid_depth_mm: 1_219,
            air_mm: 254,
            level_mm: 0,
            scum_mm: Some(102),
            sludge_mm: Some(356),
            device: Some(DeviceScene {
                bottom_mm: 457,
                top_mm: Some(127),
            }),
            sludge_limit_mm: Some(762),
            scum_limit_mm: Some(381),
        }],
        ..SectionScene::default()
    }
}

#[test]
fn dragging_a_lid_within_the_span_does_not_move_the_scale() {
    let drawn = |cover_mm| {
        let scene = GroundScene {
            cover_mm,
            width_mm: 610,
            span_mm: 600,
            ..GroundScene::default()
        };
        ground_section(
            &scene,
            Area {
                width_px: 300.0,
                height_px: 400.0,
            },
        )
    };
    let (start, end) = (drawn(127), drawn(-100));
    assert!((start.px_per_mm - end.px_per_mm).abs() < 1e-12);
    assert!((start.grade_y - end.grade_y).abs() < 1e-12);
    // The drawing in hand at the start of a drag gives the value the next drawing stands at.
    let edge = Edge {
        kind: EdgeKind::LidTop,
        part: 0,
    };
    assert_eq!(start.value_at(edge, end.handles[0].y), Some(-100));
}

#[test]
fn a_touch_takes_the_nearest_edge() {
    let drawing = tank_section(
        &typical(),
        Area {
            width_px: 400.0,
            height_px: 500.0,
        },
    );
    for handle in &drawing.handles {
        assert_eq!(drawing.to_edge(handle.x, handle.y), Some(handle.edge));
    }
    assert_eq!(drawing.to_edge(-500.0, -500.0), None);
}

#[test]
fn with_no_scum_a_touch_below_the_surface_takes_the_scum_and_above_it_the_surface() {
    let mut scene = typical();
    scene.compartments[0].scum_mm = Some(0);
    let drawing = tank_section(
        &scene,
        Area {
            width_px: 400.0,
            height_px: 500.0,
        },
    );
    let surface = drawing
        .y_of(
            Edge {
                kind: EdgeKind::Level,
                part: 0,
            },
            0,
        )
        .unwrap();
    assert_eq!(
        drawing.to_edge(150.0, surface + 8.0).unwrap().kind,
        EdgeKind::ScumBottom
    );
    assert_eq!(drawing.to_edge(150.0, surface - 8.0).unwrap().kind, EdgeKind::Level);
}

#[test]
fn only_nonsense_is_hatched() {
    let area = Area {
        width_px: 400.0,
        height_px: 300.0,
    };
    let has_hatch = |scene: &SectionScene| {
        tank_section(scene, area)
            .layers
            .iter()
            .any(|layer| layer.kind == LayerKind::Hatch)
    };
    let mut scene = typical();
    assert!(!has_hatch(&scene));
    scene.compartments[0].scum_mm = Some(1_000);
    assert!(has_hatch(&scene));
}

#[test]
fn a_tall_fit_gives_a_finger_more_pixels_and_says_the_length_is_cut() {
    let area = Area {
        width_px: 238.0,
        height_px: 560.0,
    };
    let whole = tank_section(&typical(), area);
    let tall = tank_section(
        &SectionScene {
            fit: Fit::Tall,
            ..typical()
        },
        area,
    );
    assert!(!whole.broken && tall.broken);
    assert!(tall.px_per_mm > 1.5 * whole.px_per_mm);
}

/// An SVG of these fills, each a path in the colour that follows from its place in the list.
fn painted(area: Area, paths: &[(usize, String)]) -> resvg::tiny_skia::Pixmap {
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" shape-rendering=\"crispEdges\">",
        area.width_px, area.height_px
    );
    for (layer, commands) in paths {
        let (red, green, blue) = (layer * 37 % 256, layer * 91 % 256, layer * 59 % 256);
        writeln!(svg, "<path d=\"{commands}\" fill=\"rgb({red},{green},{blue})\"/>").unwrap();
    }
    svg += "</svg>";
    let tree = resvg::usvg::Tree::from_str(&svg, &resvg::usvg::Options::default()).unwrap();
    let size = tree.size().to_int_size();
    let mut picture = resvg::tiny_skia::Pixmap::new(size.width(), size.height()).unwrap();
    resvg::render(&tree, resvg::tiny_skia::Transform::default(), &mut picture.as_mut());
    picture
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]
    /// Painted by another renderer, piece by piece gives the picture that layer by layer gives.
    #[test]
    fn pieces_paint_what_their_layer_paints(scene in any_scene()) {
        let area = Area { width_px: 240.0, height_px: 320.0 };
        let drawing = tank_section(&scene, area);
        let (mut whole, mut parts) = (Vec::new(), Vec::new());
        for (n, layer) in drawing.layers.iter().enumerate().filter(|(_, layer)| !layer.kind.is_stroke()) {
            whole.push((n, layer.commands.clone()));
            for piece in layer.pieces(drawing.area) {
                let (right, bottom) = (piece.x + piece.width, piece.y + piece.height);
                prop_assert!(piece.x >= 0.0 && piece.y >= 0.0 && right <= 240.0 && bottom <= 320.0, "{:?}", piece);
                let rectangle = format!("M{} {}H{right}V{bottom}H{}Z", piece.x, piece.y, piece.x);
                parts.push((n, piece.commands.unwrap_or(rectangle)));
            }
        }
        prop_assume!(!whole.is_empty());
        let (whole, parts) = (painted(area, &whole), painted(area, &parts));
        let differ = whole.pixels().iter().zip(parts.pixels()).filter(|(a, b)| a != b).count();
        // A rectangle may be snapped to the pixels otherwise than a path; no more than its edge.
        prop_assert!(differ < 400, "{} pixels differ", differ);
    }
}

#[test]
fn what_moves_is_no_larger_than_it_has_to_be() {
    // A tank of straight walls is made of rectangles; while its sludge is dragged, only sludge, liquid and lines change.
    let drawing = |sludge_mm| {
        let scene = SectionScene {
            compartments: vec![CompartmentScene {
                shape: SectionShape::Prism { width_mm: 2_400 },
                liquid_depth_mm: 1_200,
                air_mm: 250,
                level_mm: 0,
                scum_mm: Some(60),
                sludge_mm: Some(sludge_mm),
                device: None,
                sludge_limit_mm: None,
                scum_limit_mm: None,
            }],
            ..SectionScene::default()
        };
        let drawing = tank_section(
            &scene,
            Area {
                width_px: 260.0,
                height_px: 420.0,
            },
        );
        drawing
            .layers
            .iter()
            .flat_map(|layer| layer.pieces(drawing.area).into_iter().map(|piece| (layer.kind, piece)))
            .collect::<Vec<_>>()
    };
    let (before, after) = (drawing(300), drawing(310));
    assert_eq!(before.len(), after.len());
    let changed = before
        .iter()
        .zip(&after)
        .filter(|(a, b)| a != b)
        .map(|(a, _)| a.0)
        .collect::<Vec<_>>();
    assert_eq!(changed, [LayerKind::Clear, LayerKind::Sludge]);
    assert!(
        before
            .iter()
            .filter(|(kind, _)| !kind.is_stroke())
            .all(|(_, piece)| piece.commands.is_none())
    );
}
