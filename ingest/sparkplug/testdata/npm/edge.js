// An edge node of Sparkplug B out of parts that nobody here wrote: the MQTT client of
// npm's mqtt and the encoder of sparkplug-payload.
//
//   node edge.js BROKER NODE BDSEQ [HOST_ID]
//
// It gives its births, then ten times a second the data of one device by alias, and
// its births again when asked. With HOST_ID it waits until that host says on its
// state topic that it is online. It prints "births N" after each set of births.
const mqtt = require('mqtt')
const { encodePayload, decodePayload } = require('sparkplug-payload').get('spBv1.0')

const [broker, node, bdSeq, hostID] = process.argv.slice(2)
const topic = (verb, device) => `spBv1.0/north/${verb}/${node}` + (device ? '/' + device : '')
const bd = { name: 'bdSeq', type: 'UInt64', value: Number(bdSeq) }

const metrics = [
  { name: 'Hoist/Hook Load', alias: 1, type: 'Float', value: 294 },
  { name: 'Hoist/Block', alias: 2, type: 'Double', value: 20 },
  { name: 'Hoist/Drum Speed', alias: 3, type: 'Int16', value: 0 },
  { name: 'Hoist/Counts', alias: 4, type: 'Int32', value: -12 },
  { name: 'Brake/Pressure', alias: 5, type: 'Double', value: 80 }
]

let seq = 0
let births = 0
let ticking
let steps = 0

function send (verb, device, list) {
  const now = Date.now()
  const payload = { timestamp: now, seq: seq++ % 256, metrics: list.map(m => ({ timestamp: now, ...m })) }
  client.publish(topic(verb, device), encodePayload(payload), { qos: 0 })
}

function birth () {
  clearInterval(ticking)
  seq = 0
  send('NBIRTH', '', [bd, { name: 'Node Control/Rebirth', type: 'Boolean', value: false }])
  send('DBIRTH', 'PLC', metrics)
  console.log('births ' + ++births)
  ticking = setInterval(() => {
    steps++
    const moving = { 1: 294 + 0.1 * (steps % 3), 2: 20 + 0.001 * (steps % 5), 5: 80 + 0.01 * (steps % 2) }
    send('DDATA', 'PLC', metrics.filter(m => m.alias in moving).map(m => ({ alias: m.alias, type: m.type, value: moving[m.alias] })))
  }, 100)
}

const client = mqtt.connect(broker, {
  clientId: `edge-${node}-${process.pid}`,
  protocolVersion: 4,
  clean: true,
  keepalive: 5,
  reconnectPeriod: 0,
  will: { topic: topic('NDEATH'), payload: Buffer.from(encodePayload({ timestamp: Date.now(), metrics: [bd] })), qos: 0, retain: false }
})
client.on('error', e => { console.error(e); process.exit(1) })
client.on('close', () => process.exit(1))
client.on('message', (t, payload) => {
  if (t.startsWith('spBv1.0/STATE/')) {
    if (JSON.parse(payload.toString()).online && births === 0) birth()
    return
  }
  const wanted = decodePayload(payload).metrics.some(m => m.name === 'Node Control/Rebirth' && m.value === true)
  if (wanted) birth()
})
client.on('connect', () => {
  const wait = hostID ? [`spBv1.0/STATE/${hostID}`] : []
  client.subscribe([topic('NCMD'), ...wait], { qos: 1 }, err => {
    if (err) throw err
    if (!hostID) birth()
    else console.log('waiting')
  })
})
