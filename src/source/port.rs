//! Where bytes come from, as people write it.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

/// One place that bytes come from. Parsed from, and shown as, one string:
///
/// | written | is |
/// | --- | --- |
/// | `/dev/ttyUSB0`, `/dev/serial/by-id/...`, `COM3`, `serial:PATH` | a serial port by its path |
/// | `usb:0403:6001`, `usb:0403:6001:A9001XYZ` | a serial port by USB vendor, product (hexadecimal) and serial number |
/// | `tcp:192.0.2.7:4001`, `tcp:[2001:db8::7]:4001` | a serial-to-network box |
/// | `file:PATH`, `file@end:PATH` | a file that grows, from its beginning or from its end |
/// | `stdin` | standard input |
/// | `hand` | no instrument: a person reads and keys everything |
/// | `capture:PATH`, `capture@10:PATH`, `capture@fast:PATH` | a capture at its pace, ten times as fast, as fast as it goes |
/// | `simulator`, `simulator:SEED`, `simulator@60:SEED` | the simulated instrument |
/// | `simulator@60:DAY:BEAKER` | a day on the simulated bench, with `buffers`, `blank`, `phthalate=0.25` ... |
#[derive(Debug, Clone, PartialEq)]
pub enum Port {
    /// A serial port by its path; a link is followed anew at each opening.
    Serial {
        /// The device or the link to it.
        path: PathBuf,
    },
    /// A serial port by what its USB device says of itself.
    Usb {
        /// Vendor.
        vendor: u16,
        /// Product.
        product: u16,
        /// Serial number, where two of a kind are plugged in.
        serial: Option<String>,
    },
    /// A TCP socket of a serial-to-network box.
    Tcp {
        /// `host:port`.
        address: String,
    },
    /// A file that grows.
    File {
        /// The file.
        path: PathBuf,
        /// Whether what the file held before is left out.
        from_end: bool,
    },
    /// Standard input.
    Stdin,
    /// No instrument: a person reads and keys everything.
    Hand,
    /// A capture file.
    Capture {
        /// The file.
        path: PathBuf,
        /// How many times as fast as it was recorded; `None` is as fast as it goes.
        speed: Option<f64>,
    },
    /// The simulated instrument.
    Simulator {
        /// Seed of its noise, and of its day.
        seed: u64,
        /// What stands under the electrode on that day; `None`: the vinegar of the demonstration.
        beaker: Option<String>,
        /// How many times as fast as life; `None` is as fast as it goes.
        speed: Option<f64>,
    },
}

/// A text that names no port.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{given}` names no port: {why}")]
pub struct PortError {
    given: String,
    why: String,
}

/// What may be written, for error texts and help.
pub const PORT_FORMS: &str = "write a device path such as /dev/ttyUSB0, usb:VENDOR:PRODUCT[:SERIAL], \
tcp:HOST:PORT, file:PATH, stdin, capture:PATH, simulator[:SEED], or hand where there is no instrument";

impl FromStr for Port {
    type Err = PortError;

    fn from_str(text: &str) -> Result<Self, PortError> {
        parse(text).map_err(|why| PortError { given: text.to_owned(), why })
    }
}

fn parse(text: &str) -> Result<Port, String> {
    if text.chars().any(char::is_control) {
        return Err("it holds a control character".to_owned());
    }
    if is_device_path(text) {
        return Ok(Port::Serial { path: text.into() });
    }
    let (head, rest) = match text.split_once(':') {
        Some((head, rest)) => (head, Some(rest)),
        None => (text, None),
    };
    let (kind, option) = match head.split_once('@') {
        Some((kind, option)) => (kind, Some(option)),
        None => (head, None),
    };
    let path = || match rest {
        Some(path) if !path.is_empty() => Ok(PathBuf::from(path)),
        _ => Err(format!("a path is missing after `{kind}:`")),
    };
    match (kind, option) {
        ("serial", None) => Ok(Port::Serial { path: path()? }),
        ("usb", None) => usb(rest.unwrap_or_default()),
        ("tcp", None) => tcp(rest.unwrap_or_default()),
        ("file", None) => Ok(Port::File { path: path()?, from_end: false }),
        ("file", Some("end")) => Ok(Port::File { path: path()?, from_end: true }),
        ("stdin", None) if rest.is_none() => Ok(Port::Stdin),
        ("hand", None) if rest.is_none() => Ok(Port::Hand),
        ("capture", option) => Ok(Port::Capture { path: path()?, speed: speed(option)? }),
        ("simulator", option) => {
            let (digits, beaker) = rest.map_or(("1", ""), |rest| rest.split_once(':').unwrap_or((rest, "")));
            let seed = digits.parse().map_err(|_| format!("the seed is a whole number, not `{digits}`"))?;
            let beaker = (!beaker.is_empty()).then(|| beaker.to_owned());
            if let Some(beaker) = &beaker {
                super::simulate::Beaker::parse(beaker)?;
            }
            Ok(Port::Simulator { seed, beaker, speed: speed(option)? })
        }
        ("file", Some(option)) => Err(format!("`file@{option}:` is not known; write file: or file@end:")),
        _ if cfg!(unix) && kind.starts_with("tty") && rest.is_none() => {
            Err(format!("a device path begins with a slash; did you mean /dev/{text}?"))
        }
        _ => Err(PORT_FORMS.to_owned()),
    }
}

fn is_device_path(text: &str) -> bool {
    let numbered_com = text
        .get(..3)
        .filter(|head| head.eq_ignore_ascii_case("com"))
        .and_then(|_| text.get(3..))
        .is_some_and(|digits| !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()));
    numbered_com || ["/", "./", "../", r"\\.\"].iter().any(|start| text.starts_with(start))
}

fn usb(text: &str) -> Result<Port, String> {
    let mut parts = text.splitn(3, ':');
    let mut number = |what: &str| {
        let digits = parts.next().unwrap_or_default();
        let plain = digits.len() <= 4 && digits.bytes().all(|b| b.is_ascii_hexdigit());
        u16::from_str_radix(digits, 16).ok().filter(|_| plain).ok_or_else(|| {
            format!("the {what} is four hexadecimal digits, not `{digits}`; `dropwise ports` shows them")
        })
    };
    let (vendor, product) = (number("vendor")?, number("product")?);
    let serial = parts.next().map(str::to_owned);
    if serial.as_deref() == Some("") {
        return Err("the serial number after the last colon is empty".to_owned());
    }
    Ok(Port::Usb { vendor, product, serial })
}

fn tcp(address: &str) -> Result<Port, String> {
    let (host, port) =
        address.rsplit_once(':').ok_or("a host and a port number are needed, as in tcp:192.0.2.7:4001")?;
    if host.is_empty() {
        return Err("the host is missing".to_owned());
    }
    if host.contains(':') && !(host.starts_with('[') && host.ends_with(']')) {
        return Err(format!("an address with colons stands in brackets: tcp:[{host}]:{port}"));
    }
    if !port.parse::<u16>().is_ok_and(|number| number > 0) {
        return Err(format!("the port number is 1 to 65535, not `{port}`"));
    }
    Ok(Port::Tcp { address: address.to_owned() })
}

fn speed(option: Option<&str>) -> Result<Option<f64>, String> {
    match option {
        None => Ok(Some(1.0)),
        Some("fast") => Ok(None),
        Some(text) => match text.parse::<f64>() {
            Ok(speed) if speed.is_finite() && speed > 0.0 => Ok(Some(speed)),
            _ => Err(format!("the speed after @ is a number above 0 or `fast`, not `{text}`")),
        },
    }
}

impl fmt::Display for Port {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial { path } => {
                let text = path.display().to_string();
                f.write_str(if is_device_path(&text) { "" } else { "serial:" })?;
                f.write_str(&text)
            }
            Self::Usb { vendor, product, serial } => {
                write!(f, "usb:{vendor:04x}:{product:04x}")?;
                serial.iter().try_for_each(|serial| write!(f, ":{serial}"))
            }
            Self::Tcp { address } => write!(f, "tcp:{address}"),
            Self::File { path, from_end } => {
                write!(f, "file{}:{}", if *from_end { "@end" } else { "" }, path.display())
            }
            Self::Stdin => f.write_str("stdin"),
            Self::Hand => f.write_str("hand"),
            Self::Capture { path, speed } => write!(f, "capture{}:{}", AtSpeed(*speed), path.display()),
            Self::Simulator { seed, beaker, speed } => {
                write!(f, "simulator{}:{seed}", AtSpeed(*speed))?;
                beaker.iter().try_for_each(|beaker| write!(f, ":{beaker}"))
            }
        }
    }
}

struct AtSpeed(Option<f64>);

impl fmt::Display for AtSpeed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            None => f.write_str("@fast"),
            Some(speed) if (speed - 1.0).abs() < f64::EPSILON => Ok(()),
            Some(speed) => write!(f, "@{speed}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_form_is_read_and_shown_as_it_was_written() {
        for text in [
            "/dev/ttyUSB0",
            "/dev/serial/by-id/usb-Meter_one-if00-port0",
            "COM3",
            r"\\.\COM12",
            "serial:relative/path",
            "usb:0403:6001",
            "usb:067b:2303:A9:001",
            "tcp:192.0.2.7:4001",
            "tcp:[2001:db8::7]:4001",
            "tcp:box.lab.example:4001",
            "file:/tmp/log with blanks.txt",
            "file@end:log.txt",
            "stdin",
            "capture:run.capture",
            "capture@10:run.capture",
            "capture@fast:C:/run.capture",
            "simulator:7",
            "simulator@60:7",
            "simulator@60:7:phthalate=0.25",
        ] {
            let port: Port = text.parse().unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(port.to_string(), text);
        }
        assert_eq!("simulator".parse(), Ok(Port::Simulator { seed: 1, beaker: None, speed: Some(1.0) }));
    }

    #[test]
    fn what_names_no_port_is_refused_with_a_way_out() {
        for (text, says) in [
            ("", "write a device path such as"),
            ("ttyUSB0", "did you mean /dev/ttyUSB0?"),
            ("usb:403", "the product is four hexadecimal digits, not ``"),
            ("usb:04033:6001", "the vendor is four hexadecimal digits, not `04033`"),
            ("usb:+403:6001", "the vendor is four hexadecimal digits"),
            ("usb:0403:6001:", "is empty"),
            ("tcp:box", "a host and a port number are needed"),
            ("tcp::4001", "the host is missing"),
            ("tcp:box:0", "1 to 65535, not `0`"),
            ("tcp:2001:db8::7:4001", "tcp:[2001:db8::7]:4001"),
            ("file:", "a path is missing after `file:`"),
            ("file@start:a", "write file: or file@end:"),
            ("capture@0:a", "a number above 0 or `fast`, not `0`"),
            ("capture@NaN:a", "a number above 0"),
            ("simulator:x", "a whole number, not `x`"),
            ("stdin:x", "write a device path"),
            ("/dev/tty\u{1b}[2J", "control character"),
        ] {
            let error = text.parse::<Port>().unwrap_err().to_string();
            assert!(error.contains(says), "{text}: {error}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused_and_shows_what_reads_the_same(text in ".{0,40}") {
            if let Ok(port) = text.parse::<Port>() {
                prop_assert_eq!(port.to_string().parse::<Port>(), Ok(port));
            }
        }
    }
}
