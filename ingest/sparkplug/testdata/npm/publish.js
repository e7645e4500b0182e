// A device of the site that sends plain JSON, out of a part that nobody here wrote: the
// MQTT client of npm's mqtt, encrypted, with a certificate of its own.
//
//   node publish.js BROKER TOPIC CA_FILE CERTIFICATE_FILE KEY_FILE
//
// Each line of its input is published, QoS 1; after the broker's answer it prints
// "published N". A refused connection ends it with status 1.
const fs = require('fs')
const readline = require('readline')
const mqtt = require('mqtt')

const [broker, topic, ca, cert, key] = process.argv.slice(2)
const client = mqtt.connect(broker, {
  clientId: `device-${process.pid}`,
  protocolVersion: 4,
  reconnectPeriod: 0,
  ca: fs.readFileSync(ca),
  cert: cert && fs.readFileSync(cert),
  key: key && fs.readFileSync(key)
})
const fail = e => { console.error(e || 'closed'); process.exit(1) }
client.on('error', fail)
client.on('close', fail)
client.on('connect', async () => {
  let n = 0
  for await (const line of readline.createInterface({ input: process.stdin })) {
    await client.publishAsync(topic, line, { qos: 1 })
    console.log('published ' + ++n)
  }
  client.removeListener('close', fail)
  await client.endAsync()
})
