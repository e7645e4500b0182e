// Writes what the npm package sparkplug-payload makes of one metric of each datatype
// and value, one JSON object a line: {type, value, hex}. The numbers that JSON does
// not have stand as text.
const Long = require('long')
const { encodePayload } = require('sparkplug-payload').get('spBv1.0')

const long = (text, unsigned) => Long.fromString(text, unsigned)
const cases = [
  ['Int8', [0, 1, -1, 127, -128]],
  ['Int16', [0, -12, 32767, -32768]],
  ['Int32', [0, -12, 2147483647, -2147483648]],
  ['Int64', [0, -12, '9007199254740991', '-9007199254740991']],
  ['UInt8', [0, 12, 255]],
  ['UInt16', [0, 12, 65535]],
  ['UInt32', [0, 12, 4294967284, 4294967295]],
  ['UInt64', [0, 12, '9007199254740991']],
  ['Float', [0, 12.5, -0.0732421875, 3.4028234663852886e38, 'NaN', 'Infinity']],
  ['Double', [0, 12.5, -0.0733, 1.7976931348623157e308, 5e-324, 'NaN', '-Infinity']],
  ['Boolean', [true, false]],
  ['String', ['', '85']],
  ['DateTime', [1795521600000]],
  ['Text', ['85']],
  ['UUID', ['550e8400-e29b-41d4-a716-446655440000']],
  ['DataSet', ['dataset']],
  ['Bytes', ['bytes']],
  ['File', ['bytes']],
  ['Template', ['template']],
  ['Int32', [null]],
  ['Double', [null]],
]

function valueOf (type, v) {
  switch (type) {
    case 'Int64':
    case 'UInt64':
      return typeof v === 'string' ? long(v, type === 'UInt64') : long(String(v), type === 'UInt64')
    case 'Float':
    case 'Double':
      return v === null ? null : Number(v)
    case 'DataSet':
      return { numOfColumns: 1, columns: ['a'], types: ['Int32'], rows: [[85]] }
    case 'Bytes':
    case 'File':
      return Buffer.from([1, 2, 85])
    case 'Template':
      return { version: '1', isDefinition: false, templateRef: 't', metrics: [{ name: 'm', type: 'Int32', value: 85 }], parameters: [] }
  }
  return v
}

for (const [type, values] of cases) {
  for (const v of values) {
    const bytes = encodePayload({
      timestamp: 1795521600100,
      seq: 0,
      metrics: [{
        name: 'Hoist/Counts',
        alias: 5,
        timestamp: 1795521600000,
        type,
        value: valueOf(type, v),
        properties: { Quality: { type: 'Int32', value: 192 }, Unit: { type: 'String', value: 'none' } }
      }]
    })
    console.log(JSON.stringify({ type, value: v, hex: Buffer.from(bytes).toString('hex') }))
  }
}
