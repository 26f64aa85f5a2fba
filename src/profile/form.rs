//! The form of a profile file. One definition: serde reads it, and the JSON Schema that is made of it
//! serves editors and finds unknown keys and wrong types with their places.

mod words;

pub(crate) use words::{
    BecomesWord, CheckPlaceWord, CleanWord, CoversWord, DecimalWord, FlowWord, MarkWord, ParityWord,
    QuantityName, RegisterWord, RestartWord, SignWord, TextWord, ThousandsWord,
};

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer};
use std::collections::BTreeMap;
use std::fmt;
use std::sync::LazyLock;
use toml::Spanned;

static SCHEMA: LazyLock<serde_json::Value> = LazyLock::new(|| schemars::schema_for!(ProfileForm).to_value());

/// The JSON Schema of a profile file, for editors.
#[must_use]
pub fn json_schema() -> &'static serde_json::Value {
    &SCHEMA
}

/// What a profile file is checked against.
pub(crate) fn profile_form() -> crate::form::Form {
    crate::form::Form { noun: "profile", schema: &SCHEMA }
}

/// A text with its place in the file.
pub(crate) type Text = Spanned<String>;

/// The description of one kind of instrument: line settings, framing, and what its lines mean.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "dropwise instrument profile")]
pub(crate) struct ProfileForm {
    /// What the instrument is, in words.
    #[schemars(with = "String")]
    pub title: Text,
    /// The quantities that it measures.
    #[serde(default)]
    #[schemars(with = "Vec<QuantityName>")]
    pub measures: Vec<Text>,
    /// Things to know when it is connected or set up, in words.
    #[serde(default)]
    pub about: Option<String>,
    /// How the line is set and how its bytes become text.
    #[serde(default)]
    pub wire: WireForm,
    /// Answers that the instrument waits for before it goes on (CLSI LIS01 and its like).
    #[serde(default)]
    pub handshake: Option<HandshakeForm>,
    /// What it is asked, when it answers only to requests.
    #[serde(default)]
    pub ask: Vec<AskForm>,
    /// Lines that mean something by themselves.
    #[serde(default)]
    pub line: Vec<LineForm>,
    /// Several lines that belong together: one reading over several lines, or a table with a heading.
    #[serde(default)]
    pub block: Vec<BlockForm>,
    /// More about single fields, by their name in the patterns.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, FieldForm>")]
    pub field: BTreeMap<Text, FieldForm>,
    /// Words of flags, for all patterns: flag name, then word = true or false. The word "" stands for a flag that is missing.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, BTreeMap<String, bool>>")]
    pub flags: BTreeMap<Text, BTreeMap<String, bool>>,
    /// Bytes as they come and the readings that they must give.
    #[serde(default)]
    pub example: Vec<ExampleForm>,
}

/// How the line is set and how its bytes become text.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct WireForm {
    /// Bits per second; 9600 when nothing is said.
    #[schemars(range(min = 50, max = 4_000_000))]
    pub baud: Option<u32>,
    /// 5 to 8; 8 when nothing is said.
    #[schemars(range(min = 5, max = 8))]
    pub data_bits: Option<u8>,
    /// "none" when nothing is said.
    pub parity: Option<ParityWord>,
    /// 1 or 2; 1 when nothing is said.
    #[schemars(range(min = 1, max = 2))]
    pub stop_bits: Option<u8>,
    /// Flow control; "none" when nothing is said.
    pub flow: Option<FlowWord>,
    /// Whether DTR is set; true when nothing is said.
    pub dtr: Option<bool>,
    /// Whether RTS is set; true when nothing is said.
    pub rts: Option<bool>,
    /// Where a frame begins and ends; any line end when nothing is said.
    pub frame: FrameForm,
    /// What bytes above 127 mean; "latin-1" when nothing is said.
    pub text: Option<TextWord>,
    /// What is taken out before the text is read.
    pub clean: Vec<CleanWord>,
    /// For "printer-escapes": how many parameter bytes follow ESC and this character, such as { "!" = 1 }.
    pub escape_parameters: BTreeMap<String, u8>,
    /// The decimal sign; "point" when nothing is said. "either" refuses a number that both readings accept.
    pub decimal: Option<DecimalWord>,
    /// What groups thousands; "none" when nothing is said.
    pub thousands: Option<ThousandsWord>,
    /// Where the sign of a number stands that has no shape; "before" when nothing is said.
    pub sign: Option<SignWord>,
}

/// Where a frame begins and ends.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct FrameForm {
    /// The bytes that a frame begins with: names of control characters ("STX") and text in single quotes.
    #[schemars(with = "Option<String>")]
    pub starts_with: Option<Text>,
    /// The bytes that a frame ends with, such as "CR LF"; a list for several that occur.
    #[schemars(with = "Option<TextOrList>")]
    pub ends_with: Option<Spanned<TextOrList>>,
    /// The checksum: kind, then "-hex" or "-byte", then "-low-first" where the low byte comes first.
    #[schemars(with = "Option<String>")]
    pub check: Option<Text>,
    /// Where the checksum stands: "after-end" when nothing is said and the end is a single control character, else "before-end".
    pub check_place: Option<CheckPlaceWord>,
    /// What stands between the text and a checksum before the end, such as "'*'".
    #[schemars(with = "Option<String>")]
    pub check_sign: Option<Text>,
    /// Which marks are in the checksum beside the text; "end" after the end, "text" before it when nothing is said.
    pub check_covers: Option<CoversWord>,
    /// A pause of so many milliseconds ends a frame.
    #[schemars(range(min = 1, max = 60_000))]
    pub gap_ms: Option<u32>,
    /// A frame has so many bytes.
    #[schemars(range(min = 1, max = 65_536))]
    pub length: Option<usize>,
    /// Longest frame in bytes; 65536 when nothing is said.
    #[schemars(range(min = 16, max = 1_048_576))]
    pub limit: Option<usize>,
}

/// The answers of a hand-shake; single control characters.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct HandshakeForm {
    /// With what the instrument asks to speak; "ENQ" when nothing is said.
    #[schemars(with = "Option<String>")]
    pub call: Option<Text>,
    /// What is sent for a call and a sound frame; "ACK" when nothing is said.
    #[schemars(with = "Option<String>")]
    pub accept: Option<Text>,
    /// What is sent for a damaged frame; "NAK" when nothing is said.
    #[schemars(with = "Option<String>")]
    pub refuse: Option<Text>,
    /// With what the instrument ends; "EOT" when nothing is said.
    #[schemars(with = "Option<String>")]
    pub over: Option<Text>,
    /// The first character of a frame is its number, 1 to 7 then 0 (CLSI LIS01): a frame that comes again is read once.
    pub numbered: bool,
}

/// A request and when it is sent. It must only read: what sets or writes is refused.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct AskForm {
    /// Its name.
    #[schemars(with = "String")]
    pub name: Text,
    /// The bytes, with \r, \n and \u0005 for control characters.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub send: Option<Text>,
    /// A Modbus ASCII request for registers instead of `send`.
    #[serde(default)]
    #[schemars(with = "Option<ModbusForm>")]
    pub modbus: Option<Spanned<ModbusForm>>,
    /// Names of the lines that may answer it; any line when nothing is said.
    #[serde(default)]
    #[schemars(with = "Vec<String>")]
    pub answers: Vec<Text>,
    /// How often it is asked, such as "2 s"; once after opening when nothing is said.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub every: Option<Text>,
    /// The deadline of the answer, such as "800 ms"; 1 s when nothing is said.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub within: Option<Text>,
    /// How often it is asked again when no answer comes; 0 when nothing is said.
    #[serde(default)]
    #[schemars(range(max = 20))]
    pub retries: u8,
}

/// A Modbus ASCII request that reads registers.
#[derive(Debug, Clone, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ModbusForm {
    /// Address of the transmitter.
    #[schemars(range(min = 1, max = 247))]
    pub address: u8,
    /// 3 reads holding registers, 4 reads input registers.
    #[schemars(range(min = 1, max = 127))]
    pub function: u8,
    /// Number of the first register as it is sent, counted from 0.
    pub first: u16,
    /// How many registers.
    #[schemars(range(min = 1, max = 125))]
    pub count: u16,
}

/// A line that means something by itself.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct LineForm {
    /// Its name, shown where it took a frame; the pattern when nothing is said.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub name: Option<Text>,
    /// The pattern, or several that mean the same.
    #[serde(default)]
    #[schemars(with = "Option<TextOrList>")]
    pub like: Option<Spanned<TextOrList>>,
    /// The registers of a Modbus ASCII answer, instead of `like`.
    #[serde(default)]
    pub registers: Vec<RegisterForm>,
    /// What the line says beside readings.
    #[serde(default)]
    pub marks: Option<MarkWord>,
    /// Words of flags in this line: flag name, then word = true or false.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, BTreeMap<String, bool>>")]
    pub flags: BTreeMap<Text, BTreeMap<String, bool>>,
}

/// One register (or two) of a Modbus answer.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct RegisterForm {
    /// The field as in a pattern, without braces: "ph", "emf:mV", "outside = temperature:degC".
    #[schemars(with = "String")]
    pub field: Text,
    /// Number of the register, as in the request.
    #[schemars(with = "u16")]
    pub at: Spanned<u16>,
    /// How the number is laid out; "u16" when nothing is said.
    #[serde(default)]
    pub form: RegisterWord,
    /// Value = register x scale; 1 when nothing is said.
    #[serde(default)]
    pub scale: Option<f64>,
    /// Register values that mean "no number", such as 32767.
    #[serde(default)]
    pub no_number: Vec<i64>,
}

/// Several lines that belong together.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct BlockForm {
    /// Its name.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub name: Option<Text>,
    /// The line that it begins with.
    #[schemars(with = "TextOrList")]
    pub begins: Spanned<TextOrList>,
    /// A row of a table: gives its readings at once.
    #[serde(default)]
    #[schemars(with = "Option<TextOrList>")]
    pub row: Option<Spanned<TextOrList>>,
    /// Lines that make one reading together, in any order; they are kept until the block ends.
    #[serde(default)]
    #[schemars(with = "Option<TextOrList>")]
    pub lines: Option<Spanned<TextOrList>>,
    /// Lines inside that say nothing.
    #[serde(default)]
    #[schemars(with = "Option<TextOrList>")]
    pub ignore: Option<Spanned<TextOrList>>,
    /// The line that it ends with; it may hold fields too, and all of them where a heading stands over one value.
    #[serde(default)]
    #[schemars(with = "Option<TextOrList>")]
    pub ends: Option<Spanned<TextOrList>>,
    /// A block whose end does not come is closed after this time; 10 s when nothing is said. Tables stay open.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub within: Option<Text>,
    /// Words of flags in these lines.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, BTreeMap<String, bool>>")]
    pub flags: BTreeMap<Text, BTreeMap<String, bool>>,
}

/// More about one field.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct FieldForm {
    /// Value = number as sent x scale: implied decimals, size of a pulse.
    #[schemars(with = "Option<f64>")]
    pub scale: Option<Spanned<f64>>,
    /// Base of the number; 10 when nothing is said.
    #[schemars(range(min = 2, max = 16))]
    pub base: Option<u8>,
    /// Texts that stand in the place of the number, with what they mean: { "OVER" = "over-range" }.
    /// A text that is a number, such as "9.9E37", is compared as a number.
    pub instead: BTreeMap<String, String>,
    /// The total starts again at zero after a refill: the volume goes on growing.
    pub restarts: Option<RestartWord>,
    /// The total starts again when it reaches this number, in the unit of the field: the volume goes on growing.
    #[schemars(with = "Option<f64>")]
    pub restarts_at: Option<Spanned<f64>>,
}

/// Bytes as they come and the readings that they must give.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ExampleForm {
    /// The bytes, one character U+0000 to U+00FF for each.
    #[schemars(with = "String")]
    pub wire: Text,
    /// Name of the request that it answers.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub answers: Option<Text>,
    /// What it gives: a number, a table with value, unit, valid, or true or false for a flag. A list where a field comes several times.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, serde_json::Value>")]
    pub gives: BTreeMap<Text, toml::Value>,
    /// What becomes of its last frame, instead of readings: "ignored", "damaged", "not understood" or the name of a mark.
    #[serde(default)]
    pub becomes: Option<BecomesWord>,
}

/// One text or a list of texts.
#[derive(Debug, Clone)]
pub(crate) struct TextOrList(Vec<Text>);

impl TextOrList {
    /// The texts with their places; a single text has the place of the whole value.
    pub(crate) fn texts(value: &Spanned<Self>) -> Vec<Text> {
        let place = value.span();
        let whole = |text: &Text| {
            if text.span() == (0..0) {
                Spanned::new(place.clone(), text.get_ref().clone())
            } else {
                text.clone()
            }
        };
        value.get_ref().0.iter().map(whole).collect()
    }
}

impl<'de> Deserialize<'de> for TextOrList {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl<'de> serde::de::Visitor<'de> for Visitor {
            type Value = TextOrList;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text or a list of texts")
            }
            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<TextOrList, E> {
                Ok(TextOrList(vec![Spanned::new(0..0, text.to_owned())]))
            }
            fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut list: A) -> Result<TextOrList, A::Error> {
                let mut texts = Vec::new();
                while let Some(text) = list.next_element::<Text>()? {
                    texts.push(text);
                }
                Ok(TextOrList(texts))
            }
        }
        deserializer.deserialize_any(Visitor)
    }
}

impl JsonSchema for TextOrList {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "TextOrList".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]})
    }
}
