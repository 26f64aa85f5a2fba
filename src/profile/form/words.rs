//! The words that keys of a profile file take.

use schemars::JsonSchema;
use serde::Deserialize;

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$word_doc:meta])* $word:ident),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
        #[serde(rename_all = "kebab-case")]
        pub(crate) enum $name { $($(#[$word_doc])* $word),+ }
    };
}

words!(ParityWord {
    #[default]
    None,
    Even,
    Odd
});
words!(FlowWord {
    #[default]
    None,
    XonXoff,
    Hardware
});
words!(TextWord {
    Ascii,
    #[default]
    #[serde(rename = "latin-1")]
    Latin1,
    Cp437,
    #[serde(rename = "utf-8")]
    Utf8
});
words!(CleanWord {
    #[default]
    PrinterEscapes,
    Overprint,
    HighBit,
    ParityEven,
    ParityOdd,
    XonXoff,
    Nul
});
words!(DecimalWord {
    #[default]
    Point,
    Comma,
    Either
});
words!(ThousandsWord {
    #[default]
    None,
    Blank,
    Point,
    Comma,
    Apostrophe
});
words!(SignWord {
    #[default]
    Before,
    Apart,
    Behind
});
words!(CheckPlaceWord {
    #[default]
    AfterEnd,
    BeforeEnd
});
words!(CoversWord {
    #[default]
    Text,
    Start,
    End,
    StartAndEnd
});
words!(MarkWord {
    RunStart,
    RunEnd,
    Step,
    InstrumentEndpoint,
    Refill,
    PageHeading,
    #[default]
    Ignore
});
words!(RegisterWord {
    #[default]
    U16,
    I16,
    U32,
    I32,
    F32,
    U32LowFirst,
    I32LowFirst,
    F32LowFirst
});
words!(RestartWord {
    #[default]
    AtZero
});
words!(BecomesWord {
    #[default]
    Understood,
    Ignored,
    Damaged,
    NotUnderstood,
    RunStart,
    RunEnd,
    Step,
    InstrumentEndpoint,
    Refill
});

/// A stand-in for the schema alone.
#[derive(JsonSchema)]
#[expect(dead_code, reason = "only its schema is used")]
#[serde(rename_all = "lowercase")]
pub(crate) enum QuantityName {
    Volume,
    Ph,
    Emf,
    Potential,
    Temperature,
    Conductance,
    Absorbance,
    Transmittance,
    Current,
    Voltage,
    Mass,
    Time,
}
