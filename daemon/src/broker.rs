//! The way to the broker, which both clients go: plain on this machine, encrypted beyond it.

use crate::tls::{Client, Ends, Tunnel, Unusable};
use crate::world::Dial;
use kvarden_config::{BrokerSpec, Secret};
use rumqttc::{ConnectReturnCode, ConnectionError, MqttOptions, StateError, Transport};
use std::io;
use std::path::Path;
use std::rc::Rc;

/// Where brokers listen if the address does not say.
const PORT: u16 = 1883;

/// Why there is no way to the broker.
#[derive(Debug, thiserror::Error)]
pub enum NoRoute {
    /// The link can't be encrypted as configured.
    #[error("[broker] tls: {0}")]
    Unusable(#[from] Unusable),
    /// The socket of the encrypted link.
    #[error("the socket of the encrypted link to the broker can't be made in the store's folder: {0}")]
    Socket(#[from] io::Error),
}

/// The way of one client.
#[derive(Debug)]
pub struct Route {
    host: String,
    port: u16,
    login: Option<(String, Option<Secret>)>,
    tunnel: Option<Tunnel>,
}

/// What encrypted links to a broker are made with.
///
/// # Errors
/// What of it can't be used.
pub fn encryption(broker: &BrokerSpec) -> Result<Option<Client>, Unusable> {
    let (host, _) = host_and_port(&broker.address);
    broker.tls.as_ref().map(|tls| Client::new(tls, host)).transpose()
}

fn host_and_port(address: &str) -> (&str, u16) {
    let (host, port) = address.rsplit_once(':').unwrap_or((address, ""));
    (host.trim_start_matches('[').trim_end_matches(']'), port.parse().unwrap_or(PORT))
}

impl Route {
    /// Opens the way. An encrypted one has its socket `name` in `folder`; it lives on this thread's local set.
    ///
    /// # Errors
    /// See [`NoRoute`].
    pub fn open(
        broker: &BrokerSpec,
        folder: &Path,
        name: &str,
        dial: Rc<dyn Dial>,
        ends: Rc<Ends>,
    ) -> Result<Self, NoRoute> {
        let tunnel = match encryption(broker)? {
            Some(client) => Some(Tunnel::open(client, &broker.address, folder, name, dial, ends)?),
            None => None,
        };
        Ok(Self { tunnel, ..Self::plain(broker) })
    }

    /// The plain way to a broker.
    pub fn plain(broker: &BrokerSpec) -> Self {
        let (host, port) = host_and_port(&broker.address);
        let login = broker.username.clone().map(|name| (name, broker.password.clone()));
        Self { host: host.to_owned(), port, login, tunnel: None }
    }

    /// What a client begins with. Its connections go this way and no other.
    pub fn options(&self, client: impl Into<String>) -> MqttOptions {
        let mut options = match &self.tunnel {
            None => MqttOptions::new(client, &self.host, self.port),
            Some(tunnel) => {
                let mut options = MqttOptions::new(client, tunnel.path().to_string_lossy(), self.port);
                options.set_transport(Transport::unix());
                options
            }
        };
        if let Some((name, password)) = &self.login {
            options.set_credentials(name, password.as_ref().map_or("", Secret::expose));
        }
        options
    }

    /// Why a connection ended or never came about, in words. Behind the tunnel's socket the library sees only an end.
    pub fn why(&self, error: &ConnectionError) -> String {
        if let Some(said) = self.tunnel.as_ref().and_then(Tunnel::take_words) {
            return said;
        }
        match error {
            ConnectionError::ConnectionRefused(code) => format!("refused by the broker: {}", of_code(*code)),
            ConnectionError::MqttState(StateError::ConnectionAborted) => "the broker hung up".to_owned(),
            ConnectionError::NetworkTimeout => "no answer in time".to_owned(),
            ConnectionError::Io(error) => error.to_string(),
            other => other.to_string(),
        }
    }
}

/// Whether the broker does not let us in: others must change something there before it does.
pub fn is_turned_away(error: &ConnectionError) -> bool {
    use ConnectReturnCode::{BadUserNamePassword, NotAuthorized};
    matches!(error, ConnectionError::ConnectionRefused(BadUserNamePassword | NotAuthorized))
}

/// Whether the other side ended the connection, as brokers do when another client comes under the same name.
pub fn is_hung_up(error: &ConnectionError) -> bool {
    let ended = |error: &io::Error| {
        matches!(
            error.kind(),
            io::ErrorKind::ConnectionAborted | io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe
        )
    };
    match error {
        ConnectionError::MqttState(StateError::ConnectionAborted) => true,
        ConnectionError::Io(error) | ConnectionError::MqttState(StateError::Io(error)) => ended(error),
        _ => false,
    }
}

fn of_code(code: ConnectReturnCode) -> &'static str {
    match code {
        ConnectReturnCode::BadUserNamePassword => "wrong user name or password",
        ConnectReturnCode::NotAuthorized => "not authorised",
        ConnectReturnCode::BadClientId => "it does not take this client name",
        ConnectReturnCode::ServiceUnavailable => "it is not available now",
        ConnectReturnCode::RefusedProtocolVersion => "it does not speak MQTT 3.1.1",
        ConnectReturnCode::Success => "no reason given",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn broker(address: &str, more: &str) -> BrokerSpec {
        let config = format!(
            "[site]\nname = \"Larkspur Cannery\"\ntimezone = \"America/Denver\"\n\
             [[transformer]]\nname = \"T2\"\nkva = 75\nprimary = {{ volts = 480, form = \"delta\" }}\n\
             secondary = {{ volts = 208, form = \"wye\" }}\n\
             [[meter]]\nname = \"MP-3\"\nmeasures = {{ transformer = \"T2\" }}\n\
             [broker]\naddress = \"{address}\"\n{more}"
        );
        let (configuration, problems) =
            kvarden_config::parse("kvarden.toml", &config, &|_| Ok("not to be shown\n".to_owned()));
        assert!(problems.is_empty(), "{problems:?}");
        configuration.unwrap().broker.unwrap()
    }

    #[test]
    fn a_client_gets_address_and_login_and_nothing_shows_the_password() {
        let route =
            Route::plain(&broker("127.0.0.1:1884", "username = \"ines\"\npassword_file = \"secret\"\n"));
        let options = route.options("box-in");
        assert_eq!(options.broker_address(), ("127.0.0.1".to_owned(), 1884));
        let login = options.credentials().unwrap();
        assert_eq!((login.username.as_str(), login.password.as_str()), ("ines", "not to be shown"));
        assert!(!format!("{route:?}").contains("not to be shown"));
    }

    #[test]
    fn the_host_of_an_address_is_without_brackets_and_port() {
        assert_eq!(host_and_port("[::1]:1883"), ("::1", 1883));
        assert_eq!(host_and_port("broker.larkspur.example:8883"), ("broker.larkspur.example", 8883));
    }

    #[test]
    fn a_refusal_has_words_and_counts_as_turned_away() {
        let route = Route::plain(&broker("127.0.0.1:1884", ""));
        let refused = ConnectionError::ConnectionRefused(ConnectReturnCode::BadUserNamePassword);
        assert_eq!(route.why(&refused), "refused by the broker: wrong user name or password");
        assert!(is_turned_away(&refused) && !is_hung_up(&refused));
        let hung_up = ConnectionError::MqttState(StateError::ConnectionAborted);
        assert!(is_hung_up(&hung_up) && !is_turned_away(&hung_up));
    }
}
