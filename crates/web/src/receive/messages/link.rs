//! One connection to the broker.

use rumqttc::{
    AsyncClient, Event, LastWill, MqttOptions, NetworkOptions, Packet, PublishNoticeError,
    PublishOptions, QoS, Transport,
};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use super::MessageOptions;

/// Silence after which either side takes the other for gone, about, in seconds.
const KEEP_ALIVE_S: u16 = 5;
/// Time a connection may take, in seconds.
const CONNECT_S: u64 = 5;
/// Messages that may be under way and not acknowledged.
pub(super) const UNDER_WAY: usize = 32;

/// What happens on a connection.
#[derive(Debug)]
pub(super) enum Happening {
    /// The broker took the connection.
    Up,
    /// It is lost, or was never made.
    Down(String),
}

/// How the broker answered a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Answer {
    /// It has it.
    Taken,
    /// It does not want it.
    Refused(String),
    /// The connection was lost before it answered.
    Unknown,
}

/// A connection in the making or made; dropped, it closes without a word.
pub(super) struct Link {
    client: AsyncClient,
    pub happenings: mpsc::Receiver<Happening>,
    driver: JoinHandle<()>,
}

impl Drop for Link {
    fn drop(&mut self) {
        self.driver.abort();
    }
}

impl Link {
    /// Begins to connect. The broker tells `will` on the service's topic when the connection ends
    /// without a farewell.
    pub fn open(options: &MessageOptions, id: &str, will: Vec<u8>) -> Self {
        let mut mqtt = MqttOptions::new(id, (options.host.as_str(), options.port));
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        network.set_connection_timeout(CONNECT_S);
        mqtt.set_network_options(network);
        mqtt.set_keep_alive(KEEP_ALIVE_S);
        let topic = options.service_topic();
        mqtt.set_last_will(LastWill::new(topic, will, QoS::AtLeastOnce, true, None));
        if options.tls {
            mqtt.set_transport(Transport::tls(options.authorities.clone(), None, None));
        }
        if let Some((name, password)) = &options.login {
            mqtt.set_credentials(name.clone(), password.clone().into_bytes());
        }
        let (client, mut events) = AsyncClient::builder(mqtt).capacity(2 * UNDER_WAY).build();
        let (tell, happenings) = mpsc::channel(4);
        // Apart from everything else: a poll that is dropped midway could leave half a packet.
        let driver = tokio::spawn(async move {
            loop {
                let happening = match events.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => Happening::Up,
                    Ok(_) => continue,
                    Err(e) => Happening::Down(e.to_string()),
                };
                let last = matches!(happening, Happening::Down(_));
                if tell.send(happening).await.is_err() || last {
                    return;
                }
            }
        });
        Self { client, happenings, driver }
    }

    /// Hands a message over. Nothing where the connection takes no more at this moment; otherwise
    /// what resolves to the broker's answer.
    pub fn publish(
        &self,
        topic: String,
        payload: Vec<u8>,
        retained: bool,
    ) -> Option<impl Future<Output = Answer> + Send + use<>> {
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retained);
        let notice = self.client.try_publish_tracked(topic, payload, options).ok()?;
        Some(async move {
            match notice.wait_completion_async().await {
                Ok(()) => Answer::Taken,
                Err(PublishNoticeError::V5PubAck(reason)) => Answer::Refused(format!("{reason:?}")),
                Err(e @ PublishNoticeError::RetainNotSupported) => Answer::Refused(e.to_string()),
                Err(_) => Answer::Unknown,
            }
        })
    }

    /// Says farewell, so that the will is not told, and waits until the connection has closed.
    pub async fn close(mut self) {
        if self.client.disconnect().await.is_ok() {
            while let Some(Happening::Up) = self.happenings.recv().await {}
        }
    }
}
