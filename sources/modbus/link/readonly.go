package link

import (
	"context"
	"errors"

	"faultkeep/sources/modbus/regmap"
)

// ReadOnly is a dial whose links refuse every write before anything is sent.
func ReadOnly(dial Dial) Dial {
	return func(ctx context.Context) (Link, error) {
		l, err := dial(ctx)
		if err != nil {
			return nil, err
		}
		return readOnly{l}, nil
	}
}

type readOnly struct{ Link }

var errReadOnly = errors.New("this connection only reads")

func (readOnly) Write(context.Context, uint8, regmap.Write) error { return errReadOnly }
