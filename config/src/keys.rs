//! Every section and every key that there is: the readers check against it, the option reference is tested by it.

/// A kind of section.
#[derive(Debug)]
pub struct Shape {
    /// What it is called in messages and in the option reference.
    pub name: &'static str,
    /// Every key that it may have.
    pub keys: &'static [&'static str],
}

macro_rules! shapes {
    ($($constant:ident: $name:literal [$($key:literal)*];)*) => {
        $(pub(crate) static $constant: Shape = Shape { name: $name, keys: &[$($key),*] };)*
        /// Every kind of section of every file.
        pub static SECTIONS: &[&Shape] = &[$(&$constant),*];
    };
}

shapes! {
    ROOT: "kvarden.toml" ["site" "source" "transformer" "feeder" "circuit" "meter" "state" "limit" "work" "broker" "tell" "mail" "webhook" "command" "links" "person" "rota"
        "store" "digest"];
    SITE: "[site]" ["name" "timezone" "show_temperatures" "language"];
    SOURCE: "[[source]]" ["name" "kind"];
    TRANSFORMER: "[[transformer]]" ["name" "location" "kind" "phases" "kva" "primary" "secondary" "fed_by" "parallel_with" "point_of_common_coupling"
        "impedance_percent" "x_over_r" "cooling" "rated_rise_c" "insulation_class_c" "k_rating" "rated_ambient_c"
        "neutral_rating_percent" "warn_c" "trip_c" "taps" "no_load_w" "load_w" "primary_ohms" "secondary_ohms" "eddy_loss_percent" "winding" "serial" "year" "clearances"
        "lugs" "feeds" "call" "spare" "lead_time"];
    SIDE: "a side of a [[transformer]]" ["volts" "form" "high_leg" "grounded" "rated_a"];
    PARALLEL: "parallel_with of a [[transformer]]" ["transformer" "when"];
    TAPS: "taps of a [[transformer]]" ["percent" "volts" "present"];
    LUGS: "lugs of a [[transformer]]" ["rated_c" "size" "torque"];
    FEEDER: "[[feeder]]" ["name" "fed_by" "form" "legs" "volts" "rated_a" "location"];
    TRANSFORMER_SUPPLY: "fed_by of a [[transformer]]" ["source" "transformer" "feeder" "when"];
    FEEDER_SUPPLY: "fed_by of a [[feeder]]" ["transformer" "feeder" "when"];
    CIRCUIT: "[[circuit]]" ["name" "feeder" "phases" "breaker_a" "feeds" "three_phase_only" "serves_motors" "life_safety" "shared_neutral"];
    STATE: "[[state]]" ["name" "meter" "measurand" "number"];
    METER: "[[meter]]" ["name" "measures" "every" "modbus" "mqtt" "silent_after" "frozen_after"];
    MEASURES: "measures of a [[meter]]" ["transformer" "side" "feeder"];
    MODBUS: "modbus of a [[meter]]" ["address" "unit" "answers_as" "map" "sunspec" "which" "also" "every"];
    MQTT: "mqtt of a [[meter]]" ["topic" "named" "map" "every" "qos"];
    LIMIT: "[[limit]]" ["on" "of" "place" "order" "number" "side" "over" "rate_over" "levels" "deadband" "on_delay" "off_delay" "when" "recurs" "latch"];
    LEVEL: "a level of a [[limit]]" ["setpoint" "priority" "on_delay" "over"];
    WHEN: "when of a [[limit]]" ["on" "above"];
    RECURS: "recurs of a [[limit]]" ["times" "within" "shortest" "priority"];
    WORK: "[[work]]" ["on" "from" "until" "by" "why"];
    BROKER: "[broker]" ["address" "client" "username" "password_file" "qos" "tls"];
    BROKER_TLS: "tls of [broker]" ["ca_file" "certificate_file" "key_file" "server_name"];
    TELL: "[tell]" ["mqtt" "topics" "file" "heartbeat" "daily" "urgent" "high" "low"];
    TELL_RULE: "a priority of [tell]" ["by" "again" "next_in_line" "wait_for_cause"];
    MAIL: "[mail]" ["server" "security" "from" "user" "password_file" "authority_file"];
    WEBHOOK: "[webhook]" ["url" "secret_file" "authority_file"];
    COMMAND: "[command]" ["run" "within"];
    LINKS: "[links]" ["listen" "url" "lasts"];
    PERSON: "[[person]]" ["name" "language" "quiet" "mail" "command" "webhook"];
    ROTA: "[rota]" ["hand_over" "from" "weeks" "exceptions"];
    EXCEPTION: "exceptions of [rota]" ["from" "until" "person"];
    STORE: "[store]" ["folder" "max_bytes" "recording"];
    RECORDING: "recording of [store]" ["before" "after"];
    DIGEST: "[digest]" ["at" "folder"];
    REGISTER_MAP: "a register map" ["word_order" "byte_order" "read_gaps_up_to" "most_at_once" "point"];
    REGISTER_POINT: "[[point]] of a register map" ["measurand" "place" "order" "number" "orders" "orders_by" "registers" "address" "step" "kind" "word_order" "byte_order"
        "bit" "bits" "scale" "scale_register" "offset" "unit" "absent" "rolls_over_at" "thd_base"];
    SCALE_REGISTER: "scale_register of a [[point]]" ["address" "kind" "says"];
    JSON_MAP: "a JSON map" ["readings" "quoted" "time" "wait" "point"];
    JSON_TIME: "time of a JSON map" ["pointer" "form"];
    JSON_POINT: "[[point]] of a JSON map" ["measurand" "place" "order" "number" "topic" "pointer" "scale" "offset" "unit" "rolls_over_at" "thd_base"];
    COLUMNS: "columns.toml" ["log"];
    LOG: "[[log]]" ["file" "meter" "time" "delimiter" "every" "column"];
    LOG_TIME: "time of a [[log]]" ["column" "form"];
    LOG_COLUMN: "[[log.column]]" ["column" "measurand" "place" "order" "number" "unit" "factor" "rolls_over_at" "thd_base"];
}
