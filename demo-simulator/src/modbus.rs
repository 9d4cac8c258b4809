//! T2's meters on Modbus TCP: one server, a unit id for each meter, read only.

use std::collections::HashMap;
use std::future::{Ready, ready};
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_modbus::prelude::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server, accept_tcp_connection};

use crate::live::Latest;
use crate::registers::{IMAGE_LENGTH, RegisterMap, Table, units};

/// Most registers that one request may ask for, by the protocol.
const MOST_REGISTERS: u16 = 125;

/// A running Modbus server. Dropping it closes the port and every connection.
#[derive(Debug)]
pub struct ModbusServer {
    address: SocketAddr,
    task: JoinHandle<()>,
}

impl ModbusServer {
    /// Serves what the meters show on this address; port 0 takes a free one.
    ///
    /// # Errors
    /// The port cannot be opened.
    pub async fn start(listen: SocketAddr, latest: watch::Receiver<Latest>) -> io::Result<Self> {
        let listener = TcpListener::bind(listen).await?;
        let address = listener.local_addr()?;
        let maps = units().filter_map(|(unit, plan)| Some((unit, (plan.name, RegisterMap::of(plan)?))));
        let meters = Arc::new(Meters { maps: maps.collect(), latest });
        let task = tokio::spawn(async move {
            let server = Server::new(listener);
            let new_service = move |_| Ok(Some(Arc::clone(&meters)));
            let on_connected = |stream, socket_address| {
                let made = accept_tcp_connection(stream, socket_address, &new_service);
                async move { made }
            };
            let on_error = |error| tracing::debug!(%error, "a Modbus connection ended");
            if let Err(error) = server.serve(&on_connected, on_error).await {
                tracing::warn!(%error, "the Modbus server ended");
            }
        });
        Ok(Self { address, task })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for ModbusServer {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// The meters behind the server.
struct Meters {
    maps: HashMap<u8, (&'static str, RegisterMap)>,
    latest: watch::Receiver<Latest>,
}

impl Meters {
    /// Registers for a read; `Ok(None)` if the meter does not answer.
    fn read(&self, unit: u8, table: Table, address: u16, count: u16) -> Answer {
        let Some((meter, map)) = self.maps.get(&unit) else { return Ok(None) };
        let latest = Arc::clone(&self.latest.borrow());
        let Some(reading) = latest.iter().find(|reading| reading.meter == *meter) else { return Ok(None) };
        if count == 0 || count > MOST_REGISTERS {
            return Err(ExceptionCode::IllegalDataValue);
        }
        let (from, to) = (usize::from(address), usize::from(address) + usize::from(count));
        if map.table != table || to > IMAGE_LENGTH {
            return Err(ExceptionCode::IllegalDataAddress);
        }
        let words = map.image(reading)[from..to].to_vec();
        Ok(Some(match table {
            Table::Holding => Response::ReadHoldingRegisters(words),
            Table::Input => Response::ReadInputRegisters(words),
        }))
    }
}

type Answer = Result<Option<Response>, ExceptionCode>;

impl Service for Meters {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = Ready<Answer>;

    fn call(&self, asked: Self::Request) -> Self::Future {
        ready(match asked.request {
            Request::ReadHoldingRegisters(address, count) => {
                self.read(asked.slave, Table::Holding, address, count)
            }
            Request::ReadInputRegisters(address, count) => {
                self.read(asked.slave, Table::Input, address, count)
            }
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}
