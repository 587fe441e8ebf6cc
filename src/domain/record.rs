//! What is kept: one flat record per thing a person can change.
//!
//! Every record is a row of optional facts. A change is the difference between
//! two states of a record, so undo, history and merging need no code per field.

use crate::domain::flush::FixtureKind;
use crate::domain::leak::Direction;
use crate::domain::locate::fix::PinKind;
use crate::domain::signs::Sign;
use crate::domain::units::{Cents, Length};
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::fmt;
use uuid::Uuid;

/// A value as it is kept: what a database column or a line of the change log holds.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Cell {
    /// Not known.
    Null,
    /// A whole number in the unit of its field.
    Int(i64),
    /// Text.
    Text(String),
}

/// A type that can stand in one field of a record.
pub trait Kept: Sized {
    /// Returns the value as it is kept.
    fn to_cell(&self) -> Cell;
    /// Reads a kept value back; `None` when it does not fit the type.
    fn from_cell(cell: &Cell) -> Option<Self>;
    /// Whether a kept value fits the type.
    #[must_use]
    fn fits(cell: &Cell) -> bool {
        Self::from_cell(cell).is_some()
    }
}

impl Kept for i64 {
    fn to_cell(&self) -> Cell {
        Cell::Int(*self)
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        if let Cell::Int(whole) = cell {
            Some(*whole)
        } else {
            None
        }
    }
}

impl Kept for bool {
    fn to_cell(&self) -> Cell {
        Cell::Int(i64::from(*self))
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        match cell {
            Cell::Int(0) => Some(false),
            Cell::Int(1) => Some(true),
            _ => None,
        }
    }
}

impl Kept for String {
    fn to_cell(&self) -> Cell {
        Cell::Text(self.clone())
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        if let Cell::Text(text) = cell {
            Some(text.clone())
        } else {
            None
        }
    }
    fn fits(cell: &Cell) -> bool {
        matches!(cell, Cell::Text(_))
    }
}

impl Kept for Length {
    fn to_cell(&self) -> Cell {
        Cell::Int(i64::from(self.as_mm()))
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        i64::from_cell(cell)
            .and_then(|mm| u32::try_from(mm).ok())
            .map(Self::from_mm)
    }
}

impl Kept for Cents {
    fn to_cell(&self) -> Cell {
        Cell::Int(self.0)
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        i64::from_cell(cell).map(Self)
    }
}

impl Kept for NaiveDate {
    fn to_cell(&self) -> Cell {
        Cell::Text(self.format("%Y-%m-%d").to_string())
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        if let Cell::Text(text) = cell {
            Self::parse_from_str(text, "%Y-%m-%d").ok()
        } else {
            None
        }
    }
}

impl Kept for DateTime<FixedOffset> {
    fn to_cell(&self) -> Cell {
        Cell::Text(self.to_rfc3339_opts(chrono::SecondsFormat::Millis, false))
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        if let Cell::Text(text) = cell {
            Self::parse_from_rfc3339(text).ok()
        } else {
            None
        }
    }
}

impl<T: Kept> Kept for Option<T> {
    fn to_cell(&self) -> Cell {
        self.as_ref().map_or(Cell::Null, Kept::to_cell)
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        match cell {
            Cell::Null => Some(None),
            other => T::from_cell(other).map(Some),
        }
    }
    fn fits(cell: &Cell) -> bool {
        *cell == Cell::Null || T::fits(cell)
    }
}

/// A closed set of words, kept as text.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($values:tt)+ }) => {
        $crate::domain::coded::coded! {
            $(#[$doc])*
            #[derive(Default)]
            $name { $($values)+ }
        }
        impl Kept for $name {
            fn to_cell(&self) -> Cell { Cell::Text(self.word().to_owned()) }
            fn from_cell(cell: &Cell) -> Option<Self> {
                if let Cell::Text(word) = cell { Self::from_word(word) } else { None }
            }
        }
    };
}

pub(crate) use words;

words! {
    /// A language the program speaks.
    Language {
        /// English.
        #[default]
        English = "en",
        /// Spanish.
        Spanish = "es",
    }
}
words! {
    /// The units a person reads; nothing stored depends on them.
    Units {
        /// Inches, feet and US gallons.
        #[default]
        UsCustomary = "us",
        /// Centimetres, metres and litres.
        Metric = "metric",
    }
}
words! {
    /// The five stations of a stop, in the order of the work.
    Station {
        /// Where is the tank?
        #[default]
        Find = "find",
        /// How deep are the lids?
        Dig = "dig",
        /// What is in the tank?
        Read = "read",
        /// What came out?
        Pump = "pump",
        /// Close up and tell the customer.
        Leave = "leave",
    }
}
words! {
    /// What a tank's inside looks like.
    ShapeKind {
        /// A rectangular box.
        #[default]
        Box = "box",
        /// A cylinder standing up.
        UprightCylinder = "upright_cylinder",
        /// A cylinder lying level.
        LevelCylinder = "level_cylinder",
        /// Obround seen from above.
        ObroundPlan = "obround_plan",
        /// Obround seen from the end.
        ObroundSection = "obround_section",
        /// An ellipse seen from the end.
        EllipseSection = "ellipse_section",
        /// Depths and litres from a dip stick table.
        DipTable = "dip_table",
        /// Only the capacity is known.
        Nominal = "nominal",
    }
}
words! {
    /// What a lid is made of.
    LidMaterial {
        /// Concrete.
        #[default]
        Concrete = "concrete",
        /// Plastic.
        Plastic = "plastic",
        /// Metal.
        Metal = "metal",
        /// Anything else.
        Other = "other",
    }
}
words! {
    /// What a photo shows.
    PhotoPart {
        /// A lid, or the hole it closes.
        Lid = "lid",
        /// The inlet and its device.
        Inlet = "inlet",
        /// The outlet and its device.
        Outlet = "outlet",
        /// The wall between two compartments.
        Baffle = "baffle",
        /// A wall, the bottom or the top of the tank.
        Wall = "wall",
        /// The filter in the outlet.
        Filter = "filter",
        /// The pump chamber: pump, floats, alarm.
        PumpChamber = "pump_chamber",
        /// The field the tank drains to.
        Field = "field",
        /// The yard: where things lie, from where one came.
        Yard = "yard",
        /// A paper: a receipt, a permit, an old plan.
        Receipt = "receipt",
        /// Anything else.
        #[default]
        Other = "other",
    }
}
words! {
    /// Something seen or said about where the tank is that is no pin of its own.
    ClueKind {
        /// The end of a field line, or a ridge over one.
        #[default]
        Field = "field",
        /// A dead or lush oval.
        Oval = "oval",
        /// A vent pipe standing in the yard.
        Vent = "vent",
        /// A patch that has settled.
        Settled = "settled",
        /// An old riser or a marker.
        Marker = "marker",
        /// "Somewhere there."
        Customer = "customer",
        /// A distance to the tank on a record drawing.
        Record = "record",
        /// A corner of the lot.
        LotCorner = "lot_corner",
    }
}
words! {
    /// What a rod met.
    ProbeMet {
        /// Nothing, down to where it was pushed.
        #[default]
        Nothing = "nothing",
        /// The top of the tank.
        Tank = "tank",
        /// The edge of the tank.
        Edge = "edge",
        /// The sewer pipe.
        Pipe = "pipe",
    }
}

/// Keeps a closed set that is declared elsewhere as its word.
macro_rules! kept_as_word {
    ($($name:ident),+ $(,)?) => {
        $(impl Kept for $name {
            fn to_cell(&self) -> Cell {
                Cell::Text(self.word().to_owned())
            }
            fn from_cell(cell: &Cell) -> Option<Self> {
                if let Cell::Text(word) = cell {
                    Self::from_word(word)
                } else {
                    None
                }
            }
        })+
    };
}

kept_as_word!(PinKind, FixtureKind, Sign, Direction);

words! {
    /// Which run of the flush test.
    FlushRound {
        /// As found.
        #[default]
        Before = "before",
        /// After clearing.
        After = "after",
    }
}
words! {
    /// What came to the inlet after water was run at a fixture.
    FlushResult {
        /// It came.
        #[default]
        Came = "came",
        /// It came slowly.
        Slowly = "slowly",
        /// Nothing came.
        Nothing = "nothing",
    }
}
words! {
    /// A part of the tank whose condition is looked at.
    TankPart {
        /// The inlet and its device.
        #[default]
        Inlet = "inlet",
        /// The outlet and its device.
        Outlet = "outlet",
        /// The filter in the outlet.
        Filter = "filter",
        /// The wall between two compartments.
        Baffle = "baffle",
        /// Walls, bottom and top.
        Wall = "wall",
        /// A lid.
        Lid = "lid",
        /// The pump chamber behind the tank.
        PumpChamber = "pump_chamber",
        /// Its alarm.
        Alarm = "alarm",
        /// Its floats.
        Floats = "floats",
    }
}
words! {
    /// What a part looks like. Several may hold of one part.
    PartState {
        /// Nothing is wrong with it.
        #[default]
        Sound = "sound",
        /// Packed with paper, grease or scum.
        Packed = "packed",
        /// Clogged.
        Clogged = "clogged",
        /// Cleaned at this stop.
        Cleaned = "cleaned",
        /// Loose.
        Loose = "loose",
        /// Cracked.
        Cracked = "cracked",
        /// Broken.
        Broken = "broken",
        /// Not there.
        Missing = "missing",
        /// Eaten away.
        Corroded = "corroded",
        /// Roots grow in.
        Roots = "roots",
        /// Water comes through it.
        Leaking = "leaking",
        /// The level stands above the start level.
        HighLevel = "high_level",
        /// The alarm is on.
        Ringing = "ringing",
        /// It does not sound or light when tested.
        Dead = "dead",
        /// Stuck or tangled.
        Stuck = "stuck",
    }
}
words! {
    /// Work that is offered because something was recorded.
    WorkKind {
        /// Pumping a tank.
        #[default]
        Pumping = "pumping",
        /// Digging out a lid.
        Digging = "digging",
        /// Clearing a branch in the house.
        ClearBranch = "clear_branch",
        /// Clearing the main line.
        ClearMain = "clear_main",
        /// Cleaning the outlet filter.
        CleanFilter = "clean_filter",
        /// A section of hose beyond the usual.
        ExtraHose = "extra_hose",
    }
}

words! {
    /// What was hauled away.
    WasteKind {
        /// Out of a septic tank.
        #[default]
        Septage = "septage",
        /// Out of a tank with no outlet.
        HoldingTank = "holding_tank",
        /// Out of a pump chamber.
        PumpChamber = "pump_chamber",
        /// Out of a grease trap.
        Grease = "grease",
        /// Out of portable toilets.
        PortableToilet = "portable_toilet",
        /// Anything else.
        Other = "other",
    }
}
words! {
    /// The opening a tank was pumped through.
    AccessPoint {
        /// The opening a person could fit through.
        #[default]
        MaintenanceHole = "maintenance_hole",
        /// The narrow pipe meant for looking in.
        InspectionPipe = "inspection_pipe",
        /// Anything else.
        Other = "other",
    }
}
words! {
    /// What becomes of a load at the place it is taken to.
    DisposalMethod {
        /// A treatment plant.
        #[default]
        TreatmentPlant = "treatment_plant",
        /// A receiving or transfer station.
        ReceivingStation = "receiving_station",
        /// Spread on land.
        LandApplied = "land_applied",
        /// Anything else.
        Other = "other",
    }
}

/// What every record can do, whatever it holds.
pub trait Record: Clone + PartialEq + Sized {
    /// The table, which is also the word for the record in files.
    const TABLE: &'static str;
    /// The fields in the order they are kept, the id left out.
    const FIELDS: &'static [&'static str];
    /// Returns the id.
    fn uuid(&self) -> Uuid;
    /// Returns every field's kept value, in the order of [`Record::FIELDS`].
    fn cells(&self) -> Vec<Cell>;
    /// Builds a record from kept values; the error names the field that does not fit.
    ///
    /// # Errors
    /// The name of the first field whose value is missing or of the wrong kind.
    fn from_cells(id: Uuid, cells: &[Cell]) -> Result<Self, &'static str>;
    /// Whether a value is one this field can hold; never for a field there is not.
    fn fits(field: &str, cell: &Cell) -> bool;
    /// Whether a person has taken it away (it is kept all the same).
    fn is_removed(&self) -> bool;
}

/// What is known of a kind of record without knowing any of its fields by name.
///
/// The change log, day files and merging go by this list, so that a new kind of record needs no code of theirs.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    /// The table.
    pub table: &'static str,
    /// The fields, in the order they are kept, the id left out.
    pub fields: &'static [&'static str],
    /// Whether a value is one this field can hold; never for a field there is not.
    pub fits: fn(&str, &Cell) -> bool,
}

impl Pumping {
    /// Says how much of what was taken out went into which tank of a truck, millilitres; nothing while no amount is known.
    ///
    /// * `first`: the tank it went into when it names none
    #[must_use]
    pub fn parts(&self, first: Option<TruckTankId>) -> Vec<(TruckTankId, i64)> {
        let (Some(out_ml), Some(first)) = (self.out_ml, self.truck_tank.or(first)) else {
            return Vec::new();
        };
        let second = self.second_tank.filter(|second| *second != first);
        // An amount that was made smaller afterwards is never split into more than there is.
        let over_ml = self.second_ml.unwrap_or(0).min(out_ml).max(0);
        match second {
            Some(second) if over_ml > 0 && over_ml == out_ml => vec![(second, over_ml)],
            Some(second) if over_ml > 0 => vec![(first, out_ml - over_ml), (second, over_ml)],
            _ => vec![(first, out_ml)],
        }
    }
}

impl Kind {
    const fn of<R: Record>() -> Self {
        Self {
            table: R::TABLE,
            fields: R::FIELDS,
            fits: R::fits,
        }
    }

    /// Returns the kind of record kept in this table.
    #[must_use]
    pub fn named(table: &str) -> Option<&'static Self> {
        KINDS.iter().find(|kind| kind.table == table)
    }

    /// Returns the fixed name of a field, so that no text from a file ever becomes part of a statement.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&'static str> {
        self.fields.iter().copied().find(|field| *field == name)
    }
}

/// Every kind of record, each after the kinds it refers to.
pub const KINDS: &[Kind] = &[
    Kind::of::<Site>(),
    Kind::of::<Tank>(),
    Kind::of::<Compartment>(),
    Kind::of::<Lid>(),
    Kind::of::<Stop>(),
    Kind::of::<Pin>(),
    Kind::of::<TapeTie>(),
    Kind::of::<YardClue>(),
    Kind::of::<RodProbe>(),
    Kind::of::<Photo>(),
    Kind::of::<Reading>(),
    Kind::of::<Truck>(),
    Kind::of::<TruckTank>(),
    Kind::of::<Pumping>(),
    Kind::of::<DisposalPlace>(),
    Kind::of::<Disposal>(),
    Kind::of::<LoadCorrection>(),
    Kind::of::<DayClose>(),
    Kind::of::<WasteRecord>(),
    Kind::of::<Fixture>(),
    Kind::of::<Flush>(),
    Kind::of::<SignSeen>(),
    Kind::of::<Condition>(),
    Kind::of::<LeakRun>(),
    Kind::of::<WorkLine>(),
    Kind::of::<Price>(),
    Kind::of::<Setup>(),
];

/// Declares a record: the struct, its id, its table and how each field is kept.
macro_rules! record {
    ($(#[$doc:meta])* $name:ident, $id:ident, $table:literal { $($(#[$fdoc:meta])* $field:ident: $ty:ty),+ $(,)? }) => {
        #[doc = concat!("Names one ", $table, " for ever, on every device.")]
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $id(pub Uuid);
        impl Kept for $id {
            fn to_cell(&self) -> Cell { Cell::Text(self.0.to_string()) }
            fn from_cell(cell: &Cell) -> Option<Self> {
                if let Cell::Text(text) = cell { Uuid::parse_str(text).ok().map(Self) } else { None }
            }
        }
        impl fmt::Display for $id {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result { self.0.fmt(f) }
        }
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq, Eq)]
        pub struct $name {
            /// The record's own id.
            pub id: $id,
            $($(#[$fdoc])* pub $field: $ty,)+
            /// Taken away by a person; kept for history and undo.
            pub removed: bool,
        }
        impl Record for $name {
            const TABLE: &'static str = $table;
            const FIELDS: &'static [&'static str] = &[$(stringify!($field),)+ "removed"];
            fn uuid(&self) -> Uuid { self.id.0 }
            fn cells(&self) -> Vec<Cell> {
                vec![$(self.$field.to_cell(),)+ self.removed.to_cell()]
            }
            fn from_cells(id: Uuid, cells: &[Cell]) -> Result<Self, &'static str> {
                let mut cells = cells.iter();
                let mut next = || cells.next().unwrap_or(&Cell::Null);
                Ok(Self {
                    id: $id(id),
                    $($field: <$ty as Kept>::from_cell(next()).ok_or(stringify!($field))?,)+
                    removed: <bool as Kept>::from_cell(next()).ok_or("removed")?,
                })
            }
            fn fits(field: &str, cell: &Cell) -> bool {
                match field {
                    $(stringify!($field) => <$ty as Kept>::fits(cell),)+
                    "removed" => <bool as Kept>::fits(cell),
                    _ => false,
                }
            }
            fn is_removed(&self) -> bool { self.removed }
        }
    };
}

record! {
    /// A place with one or more tanks, and the people to talk to.
    Site, SiteId, "site" {
        /// What the crew calls it.
        name: String,
        /// Street address.
        address: String,
        /// Town.
        town: String,
        /// The customer's name.
        customer: String,
        /// The customer's telephone number.
        phone: String,
        /// The language the customer reads.
        language: Option<Language>,
        /// Full-time residents, in tenths of a person.
        residents_tenths: Option<i64>,
        /// A garbage grinder is in use.
        grinder: Option<bool>,
        /// When the system was permitted.
        permit_on: Option<NaiveDate>,
        /// Latitude, WGS 84, in 1e-7 degrees.
        lat_e7: Option<i64>,
        /// Longitude, WGS 84, in 1e-7 degrees.
        lon_e7: Option<i64>,
        /// Anything worth knowing before getting out of the truck.
        note: String,
        /// The id of the rule set that holds here; empty for the company's usual one.
        rule_set: String,
        /// The earliest due date over its tanks, as of the last change.
        due_on: Option<NaiveDate>,
        /// How far under the ground the bottom of the sewer lies where it leaves the house.
        sewer_invert_mm: Option<Length>,
        /// The true bearing of the plan's y axis, tenths of a degree; `None` where only the pins tell north.
        north_tenths: Option<i64>,
    }
}
record! {
    /// A tank at a site.
    Tank, TankId, "tank" {
        /// Where it stands.
        site: SiteId,
        /// Its place in the order of tanks.
        place: i64,
        /// What the crew calls it; empty for the only tank.
        name: String,
        /// The last pump-out anyone knows of before the first recorded stop.
        last_emptied: Option<NaiveDate>,
    }
}
record! {
    /// One compartment of a tank, in the order of the flow.
    Compartment, CompartmentId, "compartment" {
        /// Its tank.
        tank: TankId,
        /// Its place in the order of the flow.
        place: i64,
        /// The inside shape.
        shape: ShapeKind,
        /// Inside length.
        length_mm: Option<Length>,
        /// Inside width.
        width_mm: Option<Length>,
        /// Inside diameter.
        diameter_mm: Option<Length>,
        /// Radius of the half rounds.
        radius_mm: Option<Length>,
        /// Straight part of the side.
        straight_mm: Option<Length>,
        /// Inside height.
        height_mm: Option<Length>,
        /// Capacity below the outlet, when nothing else is known, millilitres.
        nominal_ml: Option<i64>,
        /// Depths and litres as JSON, `[[depth_mm, litres], …]`; empty when there is none.
        dip_rows: String,
        /// From the bottom to the outlet invert.
        liquid_depth_mm: Option<Length>,
        /// From the outlet invert to the underside of the top.
        air_mm: Option<Length>,
        /// From the outlet invert down to the bottom of the outlet device.
        outlet_device_mm: Option<Length>,
        /// From the outlet invert up to the top of the outlet device.
        outlet_top_mm: Option<Length>,
    }
}
record! {
    /// A lid of a tank.
    Lid, LidId, "lid" {
        /// Its tank.
        tank: TankId,
        /// Its place along the flow.
        place: i64,
        /// What the crew calls it.
        name: String,
        /// Soil over the lid, millimetres; negative when it stands proud of the ground.
        cover_mm: Option<i64>,
        /// Width or diameter.
        width_mm: Option<Length>,
        /// What it is made of.
        material: Option<LidMaterial>,
        /// Cracked or crumbling.
        cracked: Option<bool>,
        /// Bolted, locked or heavy enough that a child cannot lift it.
        secured: Option<bool>,
    }
}
record! {
    /// One visit to a site.
    Stop, StopId, "stop" {
        /// Where.
        site: SiteId,
        /// On which day.
        day: NaiveDate,
        /// Its place in the day.
        place: i64,
        /// The station the technician was at last.
        station: Station,
        /// When the truck arrived.
        started_at: Option<DateTime<FixedOffset>>,
        /// When the stop was finished.
        finished_at: Option<DateTime<FixedOffset>>,
        /// Residents when the stop was made, in tenths of a person.
        residents_tenths: Option<i64>,
        /// A lid has been found.
        lid_found: Option<bool>,
        /// Where the tank is and how it was found.
        find_note: String,
        /// What was found, for the customer.
        found_note: String,
        /// Every lid is closed and secured.
        lids_closed: Option<bool>,
        /// Who signed.
        signed_name: String,
        /// The strokes as JSON, `[[[x, y], …], …]` in thousandths of the pad's width; empty when unsigned.
        signature: String,
        /// When it was signed.
        signed_at: Option<DateTime<FixedOffset>>,
        /// When the cautions before digging were read and understood.
        cautioned_at: Option<DateTime<FixedOffset>>,
        /// The tank was drawn down below the inlet, so that water could be seen to come.
        drawn_down: Option<bool>,
        /// Sections of hose laid beyond the usual.
        hose_sections: Option<i64>,
    }
}
record! {
    /// What was read in one compartment at one stop.
    Reading, ReadingId, "reading" {
        /// At which stop.
        stop: StopId,
        /// In which compartment.
        compartment: CompartmentId,
        /// Liquid level against the outlet invert, millimetres, above positive.
        level_mm: Option<i64>,
        /// Thickness of the scum.
        scum_mm: Option<Length>,
        /// Depth of the sludge.
        sludge_mm: Option<Length>,
        /// Several sludge probes as JSON, `[mm, …]`; empty when there was one.
        probes_mm: String,
    }
}
record! {
    /// What was pumped out of one tank at one stop.
    Pumping, PumpingId, "pumping" {
        /// At which stop.
        stop: StopId,
        /// Out of which tank.
        tank: TankId,
        /// Whether it was pumped.
        pumped: Option<bool>,
        /// Taken out, millilitres.
        out_ml: Option<i64>,
        /// Solids left behind, millilitres.
        heel_ml: Option<i64>,
        /// Whether it was rinsed.
        rinsed: Option<bool>,
        /// The tank of the truck it went into; the first one when not given.
        truck_tank: Option<TruckTankId>,
        /// What it was.
        waste: Option<WasteKind>,
        /// The opening it was pumped through.
        access: Option<AccessPoint>,
        /// Why it was pumped.
        why: String,
        /// Leaks seen above or below the operating depth.
        leak_note: String,
        /// What is unsafe about the lids.
        lid_note: String,
        /// Repairs and faults looked into.
        repair_note: String,
        /// The tank of a truck that took what the first one did not.
        second_tank: Option<TruckTankId>,
        /// How much of what was taken out went there, millilitres.
        second_ml: Option<i64>,
    }
}
record! {
    /// A vacuum truck.
    Truck, TruckId, "truck" {
        /// What the crew calls it.
        name: String,
        /// Its number plate.
        plate: String,
        /// Its registration with whoever permits hauling.
        registration: String,
    }
}
record! {
    /// One tank, or one compartment of the tank, of a truck.
    TruckTank, TruckTankId, "truck_tank" {
        /// The truck.
        truck: TruckId,
        /// Its place in the order of tanks.
        place: i64,
        /// What the crew calls it; empty for the only one.
        name: String,
        /// What it holds, millilitres; zero while it is not in use.
        capacity_ml: i64,
        /// From when on its load is counted; always, when not given.
        opened_at: Option<DateTime<FixedOffset>>,
        /// What was in it then, millilitres.
        opening_ml: i64,
    }
}
record! {
    /// A place that takes hauled waste, kept to be chosen again.
    DisposalPlace, DisposalPlaceId, "disposal_place" {
        /// Its name.
        name: String,
        /// Its address.
        address: String,
        /// Its permit or registration number.
        permit: String,
        /// Who runs it.
        operator: String,
        /// What becomes of a load there.
        method: Option<DisposalMethod>,
    }
}
record! {
    /// What was let out of one tank of a truck at one place. The place is written out: it may change later, this may not.
    Disposal, DisposalId, "disposal" {
        /// The truck's tank.
        truck_tank: TruckTankId,
        /// When.
        at: Option<DateTime<FixedOffset>>,
        /// The place's name.
        place: String,
        /// The place's address.
        address: String,
        /// The place's permit or registration number.
        permit: String,
        /// Who runs the place.
        operator: String,
        /// What becomes of it there.
        method: Option<DisposalMethod>,
        /// The number of the ticket.
        ticket: String,
        /// Let out of the truck, millilitres.
        out_ml: i64,
        /// What the place says it took, millilitres.
        accepted_ml: Option<i64>,
        /// Who took it.
        receiver_name: String,
        /// That person's strokes, as for a stop; empty when unsigned.
        receiver_signature: String,
        /// When that was signed.
        receiver_signed_at: Option<DateTime<FixedOffset>>,
        /// What the receiver noted where the amounts differ.
        discrepancy: String,
        /// How pathogens and insects were kept down, where it was spread on land.
        treatment: String,
        /// Nitrogen and liquid put on the land, and on which area.
        land_rate: String,
    }
}
record! {
    /// A correction of a load. What it corrects stays as it was.
    LoadCorrection, LoadCorrectionId, "load_correction" {
        /// The truck's tank.
        truck_tank: TruckTankId,
        /// When.
        at: Option<DateTime<FixedOffset>>,
        /// What it adds to the load, millilitres; negative when it takes off.
        change_ml: i64,
        /// Why.
        reason: String,
        /// The pumping or disposal it corrects, as its id; empty when it corrects the load as such.
        corrects: String,
    }
}
record! {
    /// A day of a truck, closed.
    DayClose, DayCloseId, "day_close" {
        /// The truck.
        truck: TruckId,
        /// The day.
        day: NaiveDate,
        /// When it was closed last.
        closed_at: Option<DateTime<FixedOffset>>,
        /// Why it was closed with something missing; empty when nothing was.
        reason: String,
        /// What was missing, as JSON: `[{"load": "…", "field": "…"}, …]`; empty when nothing was.
        missing: String,
        /// What stayed on the truck for the next day, millilitres.
        carried_ml: i64,
        /// Who drove.
        driver: String,
        /// The driver's certification or licence.
        driver_certification: String,
        /// The driver's strokes, as for a stop; empty when unsigned.
        driver_signature: String,
    }
}
record! {
    /// The hauled-waste record of one load, as it stood when its day was closed.
    WasteRecord, WasteRecordId, "waste_record" {
        /// The pumping that made the load.
        pumping: PumpingId,
        /// The day it was collected.
        day: NaiveDate,
        /// The id of the rule set it was made by.
        rule_set: String,
        /// Every field that was known, as JSON: `{"field": "value", …}`.
        facts: String,
        /// The fields the rule set asks for that were not known, as JSON; empty when none.
        missing: String,
        /// It is to be kept until this day at least.
        keep_until: Option<NaiveDate>,
    }
}
words! {
    /// What the customer said to a piece of work.
    Accepted {
        /// Not asked yet, or not answered.
        #[default]
        Open = "open",
        /// Agreed to.
        Yes = "yes",
        /// Declined.
        No = "no",
    }
}
record! {
    /// One line of work at a stop, with what it costs.
    WorkLine, WorkLineId, "work_line" {
        /// At which stop.
        stop: StopId,
        /// Its place on the slip.
        place: i64,
        /// What was done or offered.
        label: String,
        /// How many, in thousandths.
        quantity_thousandths: i64,
        /// What one costs, before tax.
        unit_price: Cents,
        /// Tax, in thousandths of the amount.
        tax_permille: i64,
        /// What the tax has beyond whole thousandths, in millionths of the amount.
        tax_rest_ppm: i64,
        /// What the customer said to it.
        accepted: Accepted,
        /// What was recorded that it was offered for.
        kind: Option<WorkKind>,
        /// It is done without charge: the price of nothing is meant, not missing.
        no_charge: Option<bool>,
    }
}
record! {
    /// One line of the company's price list.
    Price, PriceId, "price" {
        /// Its place in the list.
        place: i64,
        /// What is sold.
        label: String,
        /// What one costs, before tax.
        unit_price: Cents,
        /// Tax, in thousandths of the amount.
        tax_permille: i64,
        /// What the tax has beyond whole thousandths, in millionths of the amount.
        tax_rest_ppm: i64,
        /// The work it is the price of when that is offered from what was recorded.
        kind: Option<WorkKind>,
    }
}
record! {
    /// A fixture of the house, remembered for the next visit.
    Fixture, FixtureId, "fixture" {
        /// Where.
        site: SiteId,
        /// Its place in the order they were added.
        place: i64,
        /// Its kind.
        kind: FixtureKind,
        /// What people here call it; empty for the kind's own name.
        name: String,
        /// The branch it drains to, when somebody knows.
        branch: String,
        /// The floor it stands on.
        floor: String,
    }
}
record! {
    /// Water run at a fixture, and what was seen at the inlet.
    Flush, FlushId, "flush" {
        /// At which stop.
        stop: StopId,
        /// At which fixture.
        fixture: FixtureId,
        /// In which run.
        round: FlushRound,
        /// When the water was let go, when somebody counts.
        started_at: Option<DateTime<FixedOffset>>,
        /// What came.
        result: Option<FlushResult>,
        /// After how many seconds, when that was counted.
        after_s: Option<i64>,
    }
}
record! {
    /// A sign that was looked for.
    SignSeen, SignSeenId, "sign" {
        /// At which stop.
        stop: StopId,
        /// Which.
        kind: Sign,
        /// There or not there; nothing once the answer was taken back.
        present: Option<bool>,
    }
}
record! {
    /// What one part of a tank looks like.
    Condition, ConditionId, "condition" {
        /// At which stop.
        stop: StopId,
        /// Of which tank.
        tank: TankId,
        /// Of which compartment, where it matters.
        compartment: Option<CompartmentId>,
        /// Of which lid.
        lid: Option<LidId>,
        /// Which part.
        part: TankPart,
        /// What it looks like; nothing when there is only a note.
        state: Option<PartState>,
        /// Anything worth saying about it.
        note: String,
    }
}
record! {
    /// Two marks of the level with everything off.
    LeakRun, LeakRunId, "leak_run" {
        /// At which stop.
        stop: StopId,
        /// In which tank.
        tank: TankId,
        /// In which compartment; nothing when all stand at one level.
        compartment: Option<CompartmentId>,
        /// What is looked for: water coming in, or leaving.
        direction: Direction,
        /// How long to wait between the marks, seconds.
        wait_s: i64,
        /// When the first mark was made.
        started_at: DateTime<FixedOffset>,
        /// The first mark against the outlet invert, above positive.
        level_start_mm: i64,
        /// When the second mark was made.
        ended_at: Option<DateTime<FixedOffset>>,
        /// The second mark against the outlet invert, above positive.
        level_end_mm: Option<i64>,
        /// Which start of the phone the two counts below are from; empty when it keeps none.
        boot: String,
        /// Seconds of that start at the first mark, by a clock that nobody can set.
        steady_start_s: Option<i64>,
        /// The same at the second mark; nothing when the phone was started again in between.
        steady_end_s: Option<i64>,
    }
}
record! {
    /// A place of the yard that is worth coming back to.
    Pin, PinId, "pin" {
        /// Where.
        site: SiteId,
        /// At which stop it was made.
        stop: Option<StopId>,
        /// Its place in the order they were made.
        place: i64,
        /// Which lid, of a tank lid.
        lid: Option<LidId>,
        /// What it marks.
        kind: PinKind,
        /// What the crew calls it; empty for the kind's own name.
        name: String,
        /// Where it was put on the plan, millimetres along x; with two tapes it only says on which side.
        x_mm: Option<i64>,
        /// The same along y.
        y_mm: Option<i64>,
        /// The pipe's bearing away from the house, tenths of a degree from the plan's y axis, if it was seen.
        pipe_tenths: Option<i64>,
        /// Half of its size, of an obstacle.
        radius_mm: Option<Length>,
        /// The raw position fixes as JSON; empty when there is none. Never changed once taken, only added to.
        fixes: String,
        /// The places of a line as JSON, `[[x_mm, y_mm], …]`; empty for a place.
        line_mm: String,
    }
}
record! {
    /// One tape distance between two places of the yard.
    TapeTie, TapeTieId, "tie" {
        /// Where.
        site: SiteId,
        /// At which stop it was pulled.
        stop: Option<StopId>,
        /// Its place in the order they were made.
        place: i64,
        /// The place that is measured.
        target: PinId,
        /// The place the tape was held at.
        origin: PinId,
        /// What the tape read.
        distance_mm: Length,
    }
}
record! {
    /// Something seen or said about where the tank is.
    YardClue, YardClueId, "clue" {
        /// Where.
        site: SiteId,
        /// At which stop.
        stop: Option<StopId>,
        /// Its place in the order they were made.
        place: i64,
        /// What.
        kind: ClueKind,
        /// Where on the plan, millimetres along x.
        x_mm: i64,
        /// The same along y.
        y_mm: i64,
        /// Half of its size, where it has one.
        radius_mm: Option<Length>,
        /// How far from there the tank is, of a record drawing's tie.
        distance_mm: Option<Length>,
    }
}
record! {
    /// One push of the rod.
    RodProbe, RodProbeId, "probe" {
        /// Where.
        site: SiteId,
        /// At which stop.
        stop: Option<StopId>,
        /// Its place in the order they were made.
        place: i64,
        /// Where on the plan, millimetres along x.
        x_mm: i64,
        /// The same along y.
        y_mm: i64,
        /// How deep it went.
        depth_mm: Length,
        /// What it met.
        met: ProbeMet,
    }
}
record! {
    /// A photo; the picture itself is a file named after its hash.
    Photo, PhotoId, "photo" {
        /// Where it was taken.
        site: SiteId,
        /// At which stop, if at one.
        stop: Option<StopId>,
        /// At which station of the stop.
        station: Option<Station>,
        /// What it shows.
        part: PhotoPart,
        /// Of which tank.
        tank: Option<TankId>,
        /// Of which lid.
        lid: Option<LidId>,
        /// Its place in the order of the site's photos, as they were taken in.
        place: i64,
        /// SHA-256 of the kept JPEG, 64 lower-case hex digits.
        hash: String,
        /// Width of the kept JPEG, pixels.
        width_px: i64,
        /// Height of the kept JPEG, pixels.
        height_px: i64,
        /// When it was taken in.
        added_at: DateTime<FixedOffset>,
        /// When the camera says it was taken.
        taken_at: Option<DateTime<FixedOffset>>,
        /// Latitude the camera noted, WGS 84, in 1e-7 degrees.
        lat_e7: Option<i64>,
        /// Longitude the camera noted, WGS 84, in 1e-7 degrees.
        lon_e7: Option<i64>,
        /// Anything worth saying about it.
        note: String,
        /// Marks drawn on it, as `exchange::photo_marks` writes them; empty when there are none.
        marks: String,
    }
}
record! {
    /// How this phone is set up; there is exactly one.
    Setup, SetupId, "setup" {
        /// The company's name.
        company: String,
        /// The company's telephone number.
        company_phone: String,
        /// The technician's name.
        technician: String,
        /// The language of the screens.
        language: Language,
        /// The units of the screens.
        units: Units,
        /// Night colours.
        night: bool,
        /// The usual rule set.
        rule_set: String,
        /// What digging out one lid costs the customer.
        dig_fee: Cents,
        /// A riser section of 6 in.
        riser_6: Cents,
        /// A riser section of 12 in.
        riser_12: Cents,
        /// A riser section of 18 in.
        riser_18: Cents,
        /// A riser section of 24 in.
        riser_24: Cents,
        /// What the truck held before trucks had records of their own, millilitres; a new truck starts with it.
        truck_ml: i64,
        /// When the truck was last emptied, before disposals had records of their own. Read only.
        truck_emptied_at: Option<DateTime<FixedOffset>>,
        /// The longest interval ever promised, months; the rule set's own when not given.
        max_months: Option<i64>,
        /// How well an edge is read with the tool at hand.
        edge_mm: Length,
        /// The camera's own data stay in the files of photos.
        keep_camera_data: bool,
        /// Where positions come from, as typed: `tcp:HOST:PORT` and the like; empty for the device's own.
        position_source: String,
        /// The company's address.
        company_address: String,
        /// The company's registration as a hauler.
        registration: String,
        /// The driver's certification or licence.
        certification: String,
        /// The truck this phone rides on.
        truck: Option<TruckId>,
        /// The office's public key, as text; empty when day files are not sealed.
        office_key: String,
    }
}

impl SetupId {
    /// How this device itself is set up; those of others bear the names of their phones.
    pub const OWN: Self = Self(Uuid::from_u128(1));
}

/// A site with its tanks and lids, and one stop with its readings.
///
/// Everything a stop's screens need, and nothing of any other site.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Visit {
    /// The site.
    pub site: Site,
    /// Its tanks, in order.
    pub tanks: Vec<Tank>,
    /// Their compartments, in order of tank and flow.
    pub compartments: Vec<Compartment>,
    /// Their lids, in order.
    pub lids: Vec<Lid>,
    /// The yard's pins, in the order they were made.
    pub pins: Vec<Pin>,
    /// The tapes pulled between them, in the order they were pulled.
    pub ties: Vec<TapeTie>,
    /// What was seen or said of where the tank is, in order.
    pub clues: Vec<YardClue>,
    /// The pushes of the rod, in order.
    pub probes: Vec<RodProbe>,
    /// The stop.
    pub stop: Stop,
    /// The stop's readings.
    pub readings: Vec<Reading>,
    /// The stop's pumpings.
    pub pumpings: Vec<Pumping>,
    /// The fixtures of the house, in the order they were added.
    pub fixtures: Vec<Fixture>,
    /// What came of them at the stop.
    pub flushes: Vec<Flush>,
    /// The signs that were looked for at the stop.
    pub signs: Vec<SignSeen>,
    /// What the parts of the tanks look like.
    pub conditions: Vec<Condition>,
    /// The runs of the leak gauge.
    pub leak_runs: Vec<LeakRun>,
    /// The work of the stop, in the order of the slip.
    pub work: Vec<WorkLine>,
}

/// One field of one record taking a new value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldChange {
    /// The record's table.
    pub table: &'static str,
    /// The record.
    pub id: Uuid,
    /// The field.
    pub field: &'static str,
    /// The value it takes.
    pub value: Cell,
}

/// One field of one record as it stands, with when, on which phone and by which action it came to stand so.
///
/// Two books that know different values of a field can be merged by comparing these.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stamped {
    /// The record's table.
    pub table: &'static str,
    /// The record.
    pub id: Uuid,
    /// The field.
    pub field: &'static str,
    /// Its value.
    pub value: Cell,
    /// When it was given this value, by the clock of the phone.
    pub at: DateTime<FixedOffset>,
    /// The phone.
    pub by: Uuid,
    /// The action.
    pub op: Uuid,
}

/// Lists what differs between two states of the records of one kind.
///
/// A record that is only in `after` is new: all of its fields are listed. A
/// record that is missing from `after` is left alone, because nothing kept is
/// ever dropped; taking away sets `removed`.
#[must_use]
pub fn changes<R: Record>(before: &[R], after: &[R]) -> Vec<FieldChange> {
    let mut list = Vec::new();
    for new in after {
        let old = before.iter().find(|old| old.uuid() == new.uuid());
        if old == Some(new) {
            continue;
        }
        let old_cells = old.map(Record::cells).unwrap_or_default();
        for (index, (field, value)) in R::FIELDS.iter().zip(new.cells()).enumerate() {
            if old_cells.get(index) != Some(&value) {
                list.push(FieldChange {
                    table: R::TABLE,
                    id: new.uuid(),
                    field,
                    value,
                });
            }
        }
    }
    list
}

impl Visit {
    /// Lists every field in which `after` differs from this state.
    #[must_use]
    pub fn changes_to(&self, after: &Self) -> Vec<FieldChange> {
        let mut list = self.site_changes_to(after);
        list.extend(self.changes_below_site_to(after));
        list
    }

    /// Lists the fields of the site alone whose value differs.
    #[must_use]
    pub fn site_changes_to(&self, after: &Self) -> Vec<FieldChange> {
        changes(std::slice::from_ref(&self.site), std::slice::from_ref(&after.site))
    }

    /// Lists the fields of all but the site whose value differs.
    #[must_use]
    pub fn changes_below_site_to(&self, after: &Self) -> Vec<FieldChange> {
        let mut list = changes(&self.tanks, &after.tanks);
        list.extend(changes(&self.compartments, &after.compartments));
        list.extend(changes(&self.lids, &after.lids));
        list.extend(changes(&self.pins, &after.pins));
        list.extend(changes(&self.ties, &after.ties));
        list.extend(changes(&self.clues, &after.clues));
        list.extend(changes(&self.probes, &after.probes));
        list.extend(changes(
            std::slice::from_ref(&self.stop),
            std::slice::from_ref(&after.stop),
        ));
        list.extend(changes(&self.readings, &after.readings));
        list.extend(changes(&self.pumpings, &after.pumpings));
        list.extend(changes(&self.fixtures, &after.fixtures));
        list.extend(changes(&self.flushes, &after.flushes));
        list.extend(changes(&self.signs, &after.signs));
        list.extend(changes(&self.conditions, &after.conditions));
        list.extend(changes(&self.leak_runs, &after.leak_runs));
        list.extend(changes(&self.work, &after.work));
        list
    }
}

/// What a person did: one action, one transaction, one line of the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Op {
    /// Names the action for ever.
    pub id: Uuid,
    /// The stop it belongs to, if any.
    pub stop: Option<StopId>,
    /// When, with the local offset.
    pub at: DateTime<FixedOffset>,
    /// What was changed, as a message id of the catalogue.
    pub label: String,
    /// Whether Undo may take it back (moving between stations may not be).
    pub undoable: bool,
    /// What it changed.
    pub changes: Vec<FieldChange>,
}

/// One action as it stands in the log, with what each of its changes replaced.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Logged {
    /// The action.
    pub op: Op,
    /// The action it took back, if it took one back.
    pub undoes: Option<Uuid>,
    /// What each change replaced, in the order of the changes; `None` where the record was new.
    pub before: Vec<Option<Cell>>,
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn lid(cover_mm: Option<i64>) -> Lid {
        Lid {
            id: LidId(Uuid::from_u128(7)),
            name: "inlet".to_owned(),
            cover_mm,
            ..Lid::default()
        }
    }

    #[test]
    fn a_record_survives_its_cells() {
        let before = lid(Some(-12));
        assert_eq!(Lid::from_cells(before.uuid(), &before.cells()), Ok(before));
    }

    #[test]
    fn a_cell_of_the_wrong_kind_names_its_field() {
        let mut cells = lid(None).cells();
        *cells.get_mut(2).unwrap() = Cell::Int(3);
        assert_eq!(Lid::from_cells(Uuid::nil(), &cells), Err("name"));
    }

    #[test]
    fn only_what_differs_is_a_change() {
        let list = changes(&[lid(None)], &[lid(Some(51))]);
        assert_eq!(list.len(), 1);
        assert_eq!(list.first().unwrap().field, "cover_mm");
        assert_eq!(list.first().unwrap().value, Cell::Int(51));
    }

    /// By hand: what ran over went into the second tank and the rest into the first.
    #[test]
    fn what_ran_over_went_into_the_second_tank() {
        let tank = |n| TruckTankId(Uuid::from_u128(n));
        let parts = |out_ml, truck_tank, second_tank, second_ml| {
            let pumping = Pumping {
                out_ml,
                truck_tank,
                second_tank,
                second_ml,
                ..Pumping::default()
            };
            pumping.parts(Some(tank(1)))
        };
        assert_eq!(parts(None, None, None, None), []);
        assert_eq!(parts(Some(1_000), None, None, None), [(tank(1), 1_000)]);
        assert_eq!(parts(Some(1_000), Some(tank(3)), None, None), [(tank(3), 1_000)]);
        let second = Some(tank(2));
        assert_eq!(
            parts(Some(1_000), None, second, Some(300)),
            [(tank(1), 700), (tank(2), 300)]
        );
        assert_eq!(parts(Some(1_000), None, second, Some(1_000)), [(tank(2), 1_000)]);
        assert_eq!(parts(Some(1_000), None, second, Some(1_500)), [(tank(2), 1_000)]);
        assert_eq!(parts(Some(1_000), None, second, None), [(tank(1), 1_000)]);
        assert_eq!(parts(Some(0), None, second, Some(0)), [(tank(1), 0)]);
        assert_eq!(parts(Some(1_000), second, second, Some(300)), [(tank(2), 1_000)]);
    }

    #[test]
    fn a_kind_of_record_is_found_by_its_table_and_a_field_by_its_name() {
        for kind in KINDS {
            let found = Kind::named(kind.table).unwrap();
            assert_eq!((found.table, found.fields), (kind.table, kind.fields));
            for field in kind.fields {
                assert_eq!(found.field(field), Some(*field));
            }
            assert_eq!(found.field("no_such_field"), None);
        }
        assert!(Kind::named("no_such_table").is_none());
        let fits = Kind::named("lid").unwrap().fits;
        let (number, text) = (Cell::Int(51), Cell::Text("inlet".to_owned()));
        assert!(fits("cover_mm", &number) && fits("cover_mm", &Cell::Null) && !fits("cover_mm", &text));
        assert!(fits("name", &text) && !fits("name", &number) && !fits("name", &Cell::Null));
        assert!(!fits("no_such_field", &Cell::Null));
    }

    #[test]
    fn lengths_days_and_the_like_survive_their_cells() {
        for yes in [true, false] {
            assert_eq!(bool::from_cell(&yes.to_cell()), Some(yes));
        }
        assert_eq!(Cents::from_cell(&Cents(-4_550).to_cell()), Some(Cents(-4_550)));
        let at = DateTime::parse_from_rfc3339("2026-06-17T14:22:05-05:00").unwrap();
        assert_eq!(DateTime::<FixedOffset>::from_cell(&at.to_cell()), Some(at));
        let (length, day) = (Length::from_mm(25), NaiveDate::from_ymd_opt(2026, 6, 17).unwrap());
        assert_eq!(Length::from_cell(&length.to_cell()), Some(length));
        assert_eq!(Length::from_cell(&Cell::Int(-1)), None);
        assert_eq!(NaiveDate::from_cell(&day.to_cell()), Some(day));
        assert_eq!(NaiveDate::from_cell(&Cell::Text("17.6.2026".to_owned())), None);
    }

    #[test]
    fn a_visit_lists_what_changed_at_the_site_and_below_it() {
        let before = Visit::default();
        let mut after = before.clone();
        after.site.note = "dog".to_owned();
        after.lids.push(lid(Some(51)));
        let tables = before
            .changes_to(&after)
            .iter()
            .map(|change| (change.table, change.field))
            .collect::<Vec<_>>();
        assert!(
            tables.contains(&("site", "note")) && tables.contains(&("lid", "cover_mm")),
            "{tables:?}"
        );
    }

    #[test]
    fn a_new_record_lists_every_field() {
        assert_eq!(changes::<Lid>(&[], &[lid(None)]).len(), Lid::FIELDS.len());
    }
}
