//! What the RTU master needs of a wire, and the two wires there are: a serial port and a TCP connection to a gateway.
//!
//! A line moves bytes and says how long they take; it knows no frames. Blocking: each master has its own thread. Never
//! panics; a port that is gone is an error of the call. Modbus over Serial Line V1.02 §2.5.1.1 (3.5 characters of
//! silence between frames, 1.75 ms above 19 200 bit/s).

use std::io::{self, ErrorKind, Read as _, Write as _};
use std::net::{TcpStream, ToSocketAddrs};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serialport::{ClearBuffer, DataBits, FlowControl, SerialPort, StopBits, TTYPort};

use crate::cause::Cause;
use crate::field::why::Unreached;
use crate::plan::Parity;

/// How long things take on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// One character on the wire.
    pub character: Duration,
    /// Silence that parts two frames.
    pub silence: Duration,
    /// Whether bytes we write take their time on a wire of ours: nothing can answer before they have all left.
    pub wire: bool,
    /// Bytes of one frame may come this far apart all the same: adapters and gateways deliver in lumps.
    pub lump: Duration,
}

/// A wire.
pub trait Line: Send {
    /// Sends bytes.
    ///
    /// # Errors
    /// The line is gone.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Takes what has arrived, waiting at most until a moment for the first byte; 0 if nothing came.
    ///
    /// # Errors
    /// The line is gone.
    fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize>;

    /// Whether bytes have arrived that nobody took.
    ///
    /// # Errors
    /// The line is gone.
    fn has_bytes(&mut self) -> io::Result<bool>;

    /// How long things take on it.
    fn pace(&self) -> Pace;

    /// Whether opening it anew may help when nobody answers: a connection can be dead without a word.
    fn is_connection(&self) -> bool;
}

impl Pace {
    /// Pace of so many bits a second.
    #[must_use]
    pub fn of(baud: u32, parity: Parity, stop_bits: u8, wire: bool, lump: Duration) -> Self {
        let parity_bits = match parity {
            Parity::None => 0,
            Parity::Even | Parity::Odd => 1,
        };
        let bits = 1 + 8 + parity_bits + u64::from(stop_bits);
        let character = Duration::from_nanos(bits * 1_000_000_000 / u64::from(baud.max(1)));
        let silence = if baud > 19_200 { Duration::from_micros(1750) } else { character * 7 / 2 };
        Self { character, silence, wire, lump }
    }

    /// Time of so many characters.
    #[must_use]
    pub fn characters(&self, count: usize) -> Duration {
        self.character * u32::try_from(count).unwrap_or(u32::MAX)
    }
}

/// A serial port.
#[derive(Debug)]
pub struct Serial {
    port: TTYPort,
    pace: Pace,
}

/// Lumps of a USB adapter: its usual latency timer is 16 ms (common practice, no source).
const SERIAL_LUMP: Duration = Duration::from_millis(50);
/// Lumps of a gateway: its packing delay and the network's.
const GATEWAY_LUMP: Duration = Duration::from_millis(100);

impl Serial {
    /// Opens a port and throws away what lay in it. The library locks it, by flock(2) and the port's exclusive mode:
    /// where another program has it, opening fails.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn open(path: &Path, baud: u32, parity: Parity, stop_bits: u8) -> Result<Self, Unreached> {
        let shown = path.display();
        let port = serialport::new(path.to_string_lossy(), baud)
            .data_bits(DataBits::Eight)
            .parity(match parity {
                Parity::None => serialport::Parity::None,
                Parity::Even => serialport::Parity::Even,
                Parity::Odd => serialport::Parity::Odd,
            })
            .stop_bits(if stop_bits == 2 { StopBits::Two } else { StopBits::One })
            .flow_control(FlowControl::None);
        let unusable = |error: serialport::Error| Unreached::Serial { path: shown.to_string(), why: of_port(&error) };
        let port = TTYPort::open(&port).map_err(unusable)?;
        port.clear(ClearBuffer::All).map_err(unusable)?;
        // A pseudo-terminal has no bits and no wire: its bytes arrive as they are written.
        let pseudo = path.canonicalize().unwrap_or_else(|_| PathBuf::from(path)).starts_with("/dev/pts");
        Ok(Self { port, pace: Pace::of(baud, parity, stop_bits, !pseudo, SERIAL_LUMP) })
    }
}

/// What the library says of a port.
fn of_port(error: &serialport::Error) -> Cause {
    match error.kind() {
        serialport::ErrorKind::NoDevice => Cause::known("io_not_there", &[]).told(error),
        serialport::ErrorKind::Io(kind) => match Cause::io(&io::Error::from(kind)) {
            known @ Cause::Known { .. } => known.told(error),
            Cause::Quoted(_) => error.to_string().into(),
        },
        serialport::ErrorKind::InvalidInput | serialport::ErrorKind::Unknown => error.to_string().into(),
    }
}

impl Line for Serial {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.port.set_timeout(self.pace.characters(bytes.len()) + SERIAL_LUMP)?;
        self.port.write_all(bytes)
    }

    fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
        self.port.set_timeout(until.saturating_duration_since(Instant::now()))?;
        match self.port.read(into) {
            Ok(0) => Err(ErrorKind::UnexpectedEof.into()),
            Err(error) if error.kind() == ErrorKind::TimedOut || error.kind() == ErrorKind::Interrupted => Ok(0),
            other => other,
        }
    }

    fn has_bytes(&mut self) -> io::Result<bool> {
        Ok(self.port.bytes_to_read()? > 0)
    }

    fn pace(&self) -> Pace {
        self.pace
    }

    fn is_connection(&self) -> bool {
        false
    }
}

/// A TCP connection to a gateway that passes RTU frames through.
#[derive(Debug)]
pub struct Gateway {
    stream: TcpStream,
    pace: Pace,
}

impl Gateway {
    /// Connects; host names are resolved now.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn open(host: &str, port: u16, baud: u32, within: Duration) -> Result<Self, Unreached> {
        let addresses = (host, port)
            .to_socket_addrs()
            .map_err(|error| Unreached::NoAddress { host: host.to_owned(), why: Some(Cause::io(&error)) })?;
        let mut why = Unreached::NoAddress { host: host.to_owned(), why: None };
        let unreached = |error: io::Error| Unreached::Refused { to: format!("{host}:{port}"), why: Cause::io(&error) };
        for address in addresses {
            match TcpStream::connect_timeout(&address, within) {
                Ok(stream) => {
                    stream.set_nodelay(true).map_err(unreached)?;
                    let pace = Pace::of(baud, Parity::Even, 1, false, GATEWAY_LUMP);
                    return Ok(Self { stream, pace });
                }
                Err(error) => why = unreached(error),
            }
        }
        Err(why)
    }
}

impl Line for Gateway {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        // A request is 8 bytes: if those do not fit the send buffer, nobody has read for long.
        self.stream.set_write_timeout(Some(GATEWAY_LUMP))?;
        self.stream.write_all(bytes)
    }

    fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
        // Zero would mean for ever.
        let wait = until.saturating_duration_since(Instant::now()).max(Duration::from_micros(1));
        self.stream.set_read_timeout(Some(wait))?;
        match self.stream.read(into) {
            Ok(0) => Err(ErrorKind::UnexpectedEof.into()),
            Err(error)
                if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) =>
            {
                Ok(0)
            }
            other => other,
        }
    }

    fn has_bytes(&mut self) -> io::Result<bool> {
        self.stream.set_nonblocking(true)?;
        let peeked = self.stream.peek(&mut [0]);
        self.stream.set_nonblocking(false)?;
        match peeked {
            Ok(0) => Err(ErrorKind::UnexpectedEof.into()),
            Ok(_) => Ok(true),
            Err(error) if error.kind() == ErrorKind::WouldBlock => Ok(false),
            Err(error) => Err(error),
        }
    }

    fn pace(&self) -> Pace {
        self.pace
    }

    fn is_connection(&self) -> bool {
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silences_are_those_of_the_serial_line_standard() {
        let pace = |baud, parity| Pace::of(baud, parity, 1, true, SERIAL_LUMP);
        assert_eq!(pace(9_600, Parity::Even).silence.as_micros(), 4010);
        assert_eq!(pace(19_200, Parity::Even).silence.as_micros(), 2005);
        assert_eq!(pace(115_200, Parity::None).silence.as_micros(), 1750);
        assert_eq!(pace(19_200, Parity::Even).characters(8).as_micros(), 4583);
    }

    #[test]
    fn a_missing_port_is_a_sentence() {
        let why = Serial::open(Path::new("/dev/no-such-line"), 19_200, Parity::Even, 1).expect_err("there is none");
        let why = why.to_string();
        assert!(why.contains("/dev/no-such-line") && why.contains("plugged in"), "{why}");
    }
}
