//! The serial ports of this computer, with names that stay the same when plugs move.

use super::{Port, SourceError};
use serde::Serialize;
use std::path::{Path, PathBuf};
use tokio_serial::{SerialPortType, UsbPortInfo};

/// Where Linux keeps the links that are named after the device.
const BY_ID: &str = "/dev/serial/by-id";

/// One serial port.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SerialPortInfo {
    /// The name to write into a bench file: the one that stays the same.
    pub name: String,
    /// The device as the system numbers it today.
    pub path: PathBuf,
    /// Links that are named after the device.
    pub links: Vec<PathBuf>,
    /// What the USB device says of itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usb: Option<Usb>,
    /// What kind of port it is, in a word.
    pub kind: &'static str,
}

/// What a USB device says of itself; texts may hold anything, make them visible before showing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Usb {
    /// Vendor number, four hexadecimal digits.
    pub vendor: String,
    /// Product number, four hexadecimal digits.
    pub product: String,
    /// Serial number.
    pub serial: Option<String>,
    /// Maker, in words.
    pub maker: Option<String>,
    /// Product, in words.
    pub title: Option<String>,
    /// Number of the interface, where one device has several ports.
    pub interface: Option<u8>,
}

/// Lists the serial ports. Opens none of them.
///
/// # Errors
/// When the system cannot list its ports.
pub fn list() -> Result<Vec<SerialPortInfo>, SourceError> {
    let links = links_in(Path::new(BY_ID));
    let mut ports: Vec<SerialPortInfo> = available()?
        .into_iter()
        .map(|port| describe(port.port_name.into(), &port.port_type, &links))
        .collect();
    ports.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(ports)
}

fn available() -> Result<Vec<tokio_serial::SerialPortInfo>, SourceError> {
    tokio_serial::available_ports().map_err(|error| SourceError::Refused {
        port: "the list of serial ports".to_owned(),
        why: error.to_string(),
    })
}

/// Links and the devices they lead to; none where the folder is missing (no USB port, or not Linux).
fn links_in(folder: &Path) -> Vec<(PathBuf, PathBuf)> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut links: Vec<(PathBuf, PathBuf)> = entries
        .flatten()
        .filter_map(|entry| Some((entry.path(), std::fs::canonicalize(entry.path()).ok()?)))
        .collect();
    links.sort();
    links
}

fn describe(path: PathBuf, kind: &SerialPortType, links: &[(PathBuf, PathBuf)]) -> SerialPortInfo {
    let device = std::fs::canonicalize(&path).unwrap_or_else(|_| path.clone());
    let links: Vec<PathBuf> =
        links.iter().filter(|(_, to)| *to == device).map(|(link, _)| link.clone()).collect();
    let (kind, usb) = match kind {
        SerialPortType::UsbPort(usb) => ("USB", Some(usb)),
        SerialPortType::PciPort => ("PCI", None),
        SerialPortType::BluetoothPort => ("Bluetooth", None),
        SerialPortType::Unknown => ("unknown", None),
    };
    let name = match (links.first(), usb) {
        (Some(link), _) => Port::Serial { path: link.clone() },
        (None, Some(usb)) if usb.serial_number.as_deref().is_some_and(|serial| !serial.is_empty()) => {
            Port::Usb { vendor: usb.vid, product: usb.pid, serial: usb.serial_number.clone() }
        }
        (None, _) => Port::Serial { path: path.clone() },
    };
    SerialPortInfo { name: name.to_string(), path, links, usb: usb.map(Usb::from), kind }
}

impl From<&UsbPortInfo> for Usb {
    fn from(usb: &UsbPortInfo) -> Self {
        Self {
            vendor: format!("{:04x}", usb.vid),
            product: format!("{:04x}", usb.pid),
            serial: usb.serial_number.clone(),
            maker: usb.manufacturer.clone(),
            title: usb.product.clone(),
            interface: usb.interface,
        }
    }
}

/// The path of the one USB port that fits.
pub(super) fn find_usb(
    vendor: u16,
    product: u16,
    serial: Option<&str>,
    name: &str,
) -> Result<PathBuf, SourceError> {
    choose(&available()?, vendor, product, serial, name)
}

fn choose(
    ports: &[tokio_serial::SerialPortInfo],
    vendor: u16,
    product: u16,
    serial: Option<&str>,
    name: &str,
) -> Result<PathBuf, SourceError> {
    let fits = |kind: &SerialPortType| match kind {
        SerialPortType::UsbPort(usb) => {
            usb.vid == vendor
                && usb.pid == product
                && serial.is_none_or(|serial| usb.serial_number.as_deref() == Some(serial))
        }
        _ => false,
    };
    let found: Vec<&str> =
        ports.iter().filter(|port| fits(&port.port_type)).map(|port| port.port_name.as_str()).collect();
    match found[..] {
        [path] => Ok(path.into()),
        [] => Err(SourceError::NoSuchPort { port: name.to_owned() }),
        _ => Err(SourceError::SeveralPorts { port: name.to_owned(), found: found.join(", ") }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn usb(path: &str, serial: Option<&str>) -> tokio_serial::SerialPortInfo {
        tokio_serial::SerialPortInfo {
            port_name: path.to_owned(),
            port_type: SerialPortType::UsbPort(UsbPortInfo {
                vid: 0x1234,
                pid: 0xabcd,
                serial_number: serial.map(str::to_owned),
                manufacturer: None,
                product: Some("meter".to_owned()),
                interface: Some(0),
            }),
        }
    }

    #[test]
    fn a_usb_port_is_found_by_what_it_says_of_itself() {
        let ports = [usb("/dev/ttyUSB0", Some("A1")), usb("/dev/ttyUSB1", Some("A2"))];
        let find = |serial| choose(&ports, 0x1234, 0xabcd, serial, "usb:1234:abcd");
        assert_eq!(find(Some("A2")).unwrap(), PathBuf::from("/dev/ttyUSB1"));
        let several = find(None).unwrap_err().to_string();
        assert!(several.contains("/dev/ttyUSB0, /dev/ttyUSB1"), "{several}");
        assert!(matches!(find(Some("A3")), Err(SourceError::NoSuchPort { .. })));
        assert!(matches!(choose(&ports, 1, 2, None, "usb:0001:0002"), Err(SourceError::NoSuchPort { .. })));
    }

    #[cfg(unix)]
    #[test]
    fn the_link_named_after_the_device_is_the_name_to_write_down() {
        let folder = tempfile::tempdir().unwrap();
        let device = folder.path().join("ttyUSB7");
        std::fs::write(&device, "").unwrap();
        let by_id = folder.path().join("by-id");
        std::fs::create_dir(&by_id).unwrap();
        let link = by_id.join("usb-Meter_A1-if00-port0");
        std::os::unix::fs::symlink(&device, &link).unwrap();
        std::os::unix::fs::symlink(folder.path().join("gone"), by_id.join("dangling")).unwrap();
        let links = links_in(&by_id);
        let port = usb(device.to_str().unwrap(), Some("A1"));
        let described = describe(device.clone(), &port.port_type, &links);
        assert_eq!(described.name, link.display().to_string());
        assert_eq!(described.links, [link]);
        let without_links = describe(device, &port.port_type, &[]);
        assert_eq!(without_links.name, "usb:1234:abcd:A1");
        assert!(links_in(Path::new("/no/such/folder")).is_empty());
    }
}
